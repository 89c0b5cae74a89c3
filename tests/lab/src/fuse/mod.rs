//! The route without a kernel's USB core: `/dev/bus/usb` as a FUSE file system that only the child process sees.
//!
//! - [`Lab`]: devices are plugged in and pulled out; programs run before them.
//! - `world`: what the child does between fork and exec; `stage`: the folders that it sees as `/dev` and `/sys/bus`;
//!   `wire`: FUSE framed by hand; `server`: the file system; `usbdevfs`: the ioctls of a device node, with `memory` to
//!   reach the child's buffers; `hub`: the devices and who holds them open.
//!
//! libusb without udev finds its devices in `/sys/bus/usb/devices`, opens `/dev/bus/usb/BBB/DDD`, and hears of plugs from
//! the kernel's netlink socket: all three are the child's own.
//!
//! `TAPLOOM_LAB_LOG=1` prints every ioctl with its result. `cargo run -p taploom-lab --example enter -- COMMAND…` runs any
//! command before emulated chips.

mod hub;
mod memory;
mod server;
mod stage;
mod usbdevfs;
mod wire;
mod world;

use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

pub use crate::run::{Run, Running};
pub use hub::Access;

use crate::controller::Controller;
use crate::personality::{Device, Standing};
use hub::{Claim, Hub, Socket};
use stage::Stage;
use world::World;

/// The number of the one bus.
const BUS: u8 = 1;

/// Why the laboratory cannot be had.
#[derive(Debug)]
pub struct Unavailable {
    /// What could not be done.
    pub step: &'static str,
    /// The system's words.
    pub source: io::Error,
}

impl std::fmt::Display for Unavailable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} failed: {}", self.step, self.source)
    }
}

impl std::error::Error for Unavailable {}

/// A bench with a USB bus: what is plugged in here is seen by the programs that are started here, and by nobody else.
pub struct Lab {
    stage: Arc<Stage>,
    hub: Arc<Mutex<Hub>>,
    uevents: Arc<Mutex<Vec<OwnedFd>>>,
    next_address: u8,
    log: bool,
}

impl Lab {
    /// An empty bus.
    ///
    /// # Errors
    /// The staged folders cannot be made, or the system does not allow name spaces or FUSE: a skip, with its reason.
    pub fn open() -> Result<Lab, Unavailable> {
        let stage = Stage::new().map_err(|source| Unavailable {
            step: "making its folders",
            source,
        })?;
        let lab = Lab {
            stage: Arc::new(stage),
            hub: Arc::default(),
            uevents: Arc::default(),
            next_address: 2,
            log: std::env::var_os("TAPLOOM_LAB_LOG").is_some(),
        };
        lab.start(Command::new("true"))?
            .wait(Duration::from_secs(10));
        Ok(lab)
    }

    /// Plugs a device in; gives its address on bus 1.
    pub fn plug(&mut self, device: Box<dyn Device>, access: Access) -> u8 {
        let address = self.next_address;
        self.next_address += 1;
        let name = format!("{BUS}-{}", address - 1);
        let descriptors = device.descriptors().clone();
        let claim = match access {
            Access::Busy => Some(Claim::Other),
            Access::Driver => Some(Claim::Driver),
            Access::Free | Access::Refused => None,
        };
        let socket = Socket {
            name: name.clone(),
            controller: Controller::new(device),
            refused: access == Access::Refused,
            claims: claim
                .into_iter()
                .flat_map(|c| (0..descriptors.interfaces).map(move |i| (i, c)))
                .collect(),
        };
        server::lock(&self.hub).sockets.insert(address, socket);
        self.stage
            .show(&name, BUS, address, &descriptors)
            .expect("the staged folders are there");
        self.tell("add", &name, address);
        address
    }

    /// Pulls a plug.
    pub fn unplug(&mut self, address: u8) {
        let name = {
            let mut hub = server::lock(&self.hub);
            let Some(socket) = hub.sockets.get_mut(&address) else {
                return;
            };
            socket.controller.unplug();
            let name = socket.name.clone();
            hub.advance();
            name
        };
        self.stage.hide(&name);
        self.tell("remove", &name, address);
    }

    /// Every transfer of the device takes at least so long from now on: a slow host.
    pub fn slow(&self, address: u8, time: Duration) {
        if let Some(socket) = server::lock(&self.hub).sockets.get_mut(&address) {
            socket.controller.slowness = time;
        }
    }

    /// How a device stands now; also one that was unplugged.
    ///
    /// # Panics
    /// If there never was such a device.
    pub fn standing(&self, address: u8) -> Standing {
        let mut hub = server::lock(&self.hub);
        let socket = hub.sockets.get_mut(&address);
        socket
            .expect("a device was plugged in here")
            .controller
            .standing()
    }

    /// Whether the kernel's driver holds the device's interface.
    pub fn driver_holds(&self, address: u8, interface: u8) -> bool {
        let hub = server::lock(&self.hub);
        let socket = hub.sockets.get(&address);
        socket.is_some_and(|s| s.claims.get(&interface) == Some(&Claim::Driver))
    }

    /// Files that programs hold open on the devices.
    pub fn open_files(&self) -> usize {
        server::lock(&self.hub).files.len()
    }

    /// Where programs started here keep their state.
    pub fn state_folder(&self) -> std::path::PathBuf {
        self.stage.folder().join("state")
    }

    /// The news, to every program that runs here.
    fn tell(&self, action: &str, name: &str, address: u8) {
        let path = format!("/devices/lab/usb{BUS}/{name}");
        let parts = [
            format!("{action}@{path}"),
            format!("ACTION={action}"),
            format!("DEVPATH={path}"),
            "SUBSYSTEM=usb".to_owned(),
            "MAJOR=189".to_owned(),
            format!("MINOR={}", address - 1),
            format!("DEVNAME=bus/usb/{BUS:03}/{address:03}"),
            "DEVTYPE=usb_device".to_owned(),
            format!("BUSNUM={BUS:03}"),
            format!("DEVNUM={address:03}"),
        ];
        let sockets = self.uevents.lock().unwrap_or_else(PoisonError::into_inner);
        for socket in sockets.iter() {
            if let Err(e) = world::send_uevent(socket, &parts) {
                eprintln!("lab: the news of a plug could not be told: {e}");
            }
        }
    }

    /// A program, to run from the workspace root with its state kept here.
    pub fn program(&self, path: impl AsRef<Path>) -> Command {
        let mut command = Command::new(path.as_ref());
        command
            .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../.."))
            .env("XDG_STATE_HOME", self.state_folder())
            .env("NO_COLOR", "1");
        command
    }

    /// Starts a program in a world of its own, before the devices of this bus.
    ///
    /// # Errors
    /// The world or the program could not be made.
    pub fn start(&self, mut command: Command) -> Result<Running, Unavailable> {
        let planning = |source| Unavailable {
            step: "making a line to the child",
            source,
        };
        let (world, parent) = World::plan(self.stage.folder()).map_err(planning)?;
        command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        // SAFETY: `enter` only makes system calls on what stands ready, in a child with one thread.
        unsafe { command.pre_exec(move || world.enter()) };
        let spawned = command.spawn();
        // The child's end of the line goes with the command.
        drop(command);
        let heard = world::hear(&parent);
        let (child, gate) = match (spawned, heard) {
            (Ok(child), Ok(gate)) => (child, gate),
            (Err(source), Err(step)) => return Err(Unavailable { step, source }),
            (Err(source), Ok(_)) => {
                let step = "starting the program";
                return Err(Unavailable { step, source });
            }
            (Ok(_), Err(step)) => {
                let source = io::Error::other("the child said nothing of its file system");
                return Err(Unavailable { step, source });
            }
        };
        self.uevents
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(gate.uevents);
        let (hub, log) = (Arc::clone(&self.hub), self.log);
        let server = std::thread::spawn(move || server::serve(gate.fuse, &hub, log));
        Ok(Running::new(child, Some(server)))
    }
}
