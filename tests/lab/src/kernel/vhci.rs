//! Inside: devices on the kernel's virtual host controller, which speaks USB/IP with them.
//!
//! Messages as the kernel's `Documentation/usb/usbip_protocol.rst` has them, big-endian, 48 bytes of head. The answer to an
//! unlink has no room for what had moved by then, which a real host controller tells; so a transfer that had begun is
//! answered as far as it got, and the unlink as one that came too late. The kernel calls it cancelled all the same.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::controller::{Controller, Finished, Id, Kind, Status, Transfer};
use crate::personality::{Descriptors, Device, Setup, Speed, Standing};
use crate::run::Running;
use crate::steps::Route;

use super::guest::load_module;

const SUBMIT: u32 = 1;
const UNLINK: u32 = 2;
const SUBMITTED: u32 = 3;
const UNLINKED: u32 = 4;
const HEAD: usize = 48;
/// A transfer's flag: an empty packet follows a last one that is full.
const ZERO_PACKET: u32 = 0x40;
const CONTROLLER: &str = "/sys/devices/platform/vhci_hcd.0";
/// No plug takes so long to be seen.
const LIMIT: Duration = Duration::from_secs(30);

/// The one socket that is used, number 0.
#[derive(Default)]
pub struct Bus {
    plugged: Option<Plugged>,
}

struct Plugged {
    controller: Arc<Mutex<Controller>>,
    ours: UnixStream,
    server: JoinHandle<()>,
    vendor: u16,
}

fn lock(controller: &Mutex<Controller>) -> MutexGuard<'_, Controller> {
    controller.lock().unwrap_or_else(PoisonError::into_inner)
}

fn word(bytes: &[u8], k: usize) -> u32 {
    u32::from_be_bytes(bytes[4 * k..4 * k + 4].try_into().expect("four bytes"))
}

/// Waits for something.
fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> Result<T, String> {
    let began = Instant::now();
    loop {
        if let Some(found) = look() {
            return Ok(found);
        }
        if began.elapsed() > LIMIT {
            return Err(format!("waited in vain for {what}"));
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// The folder of the device of this vendor, if the kernel shows one that is set up.
fn shown(vendor: u16) -> Option<PathBuf> {
    let read = |path: &Path| fs::read_to_string(path).unwrap_or_default();
    let devices = fs::read_dir("/sys/bus/usb/devices").ok()?;
    devices.flatten().map(|d| d.path()).find(|device| {
        read(&device.join("idVendor")).trim() == format!("{vendor:04x}")
            && read(&device.join("bConfigurationValue")).trim() == "1"
    })
}

/// Whether socket 0 of the virtual host controller is free.
fn is_free() -> bool {
    const FREE: &str = "004";
    let status = fs::read_to_string(format!("{CONTROLLER}/status")).unwrap_or_default();
    // hub, port, state, speed, device, socket, bus id.
    let mut rows = status.lines().map(str::split_whitespace);
    rows.any(|mut row| row.nth(1) == Some("0000") && row.next() == Some(FREE))
}

impl Route for Bus {
    fn plug(&mut self, device: Box<dyn Device>, driver: bool) -> Result<(), String> {
        if driver {
            load_module("usbserial").and_then(|()| load_module("ftdi_sio"))?;
        }
        until("the socket to be free", || is_free().then_some(()))?;
        let Descriptors { vendor, speed, .. } = *device.descriptors();
        let (ours, kernels) = UnixStream::pair().map_err(|e| e.to_string())?;
        // Numbers of the kernel's speeds: 2 full, 3 high.
        let speed = if speed == Speed::High { 3 } else { 2 };
        let plug = format!("0 {} 65538 {speed}", kernels.as_raw_fd());
        fs::write(format!("{CONTROLLER}/attach"), plug).map_err(|e| format!("attach: {e}"))?;
        let controller = Arc::new(Mutex::new(Controller::new(device)));
        let (theirs, shared) = (ours.try_clone(), Arc::clone(&controller));
        let theirs = theirs.map_err(|e| e.to_string())?;
        let server = std::thread::spawn(move || {
            if let Err(e) = serve(theirs, &shared) {
                println!("the device's side of the bus failed: {e}");
            }
        });
        self.plugged = Some(Plugged {
            controller,
            ours,
            server,
            vendor,
        });
        let folder = until("the device to be set up", || shown(vendor))?;
        if driver {
            let name = folder.file_name().expect("a device's name").to_owned();
            let first = folder.join(format!("{}:1.0/driver", name.display()));
            until("the system's driver", || first.exists().then_some(()))?;
        }
        Ok(())
    }

    fn unplug(&mut self) -> Result<Standing, String> {
        let plugged = self.plugged.take().ok_or("nothing is plugged in")?;
        let standing = lock(&plugged.controller).standing();
        lock(&plugged.controller).unplug();
        // Ended already if the device pulled its own plug.
        let _ = plugged.ours.shutdown(std::net::Shutdown::Both);
        plugged.server.join().map_err(|_| "the bus panicked")?;
        until("the device to be gone", || {
            shown(plugged.vendor).is_none().then_some(())
        })?;
        Ok(standing)
    }

    fn standing(&mut self) -> Standing {
        let plugged = self.plugged.as_ref();
        plugged.map_or(Standing::default(), |p| lock(&p.controller).standing())
    }

    fn start(&mut self, arguments: &[&str]) -> Result<Running, String> {
        let child = Command::new("/taploom")
            .args(arguments)
            .current_dir("/")
            .env_clear()
            .env("NO_COLOR", "1")
            .env("XDG_STATE_HOME", "/state")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|e| format!("the program does not start: {e}"))?;
        Ok(Running::new(child, None))
    }

    fn driver_holds(&mut self, channel: u8) -> bool {
        let folder = self.plugged.as_ref().and_then(|p| shown(p.vendor));
        folder.is_some_and(|folder| {
            let name = folder.file_name().expect("a device's name").to_owned();
            let driver = folder.join(format!("{}:1.{channel}/driver", name.display()));
            fs::read_link(driver).is_ok_and(|d| d.ends_with("ftdi_sio"))
        })
    }
}

/// Answers the host controller until one side ends.
fn serve(mut stream: UnixStream, controller: &Mutex<Controller>) -> io::Result<()> {
    stream.set_nonblocking(true)?;
    let (mut heard, mut room) = (Vec::new(), vec![0; 1 << 16]);
    let mut unlinks = BTreeMap::new();
    loop {
        let wait = lock(controller).wait();
        if is_readable(&stream, wait)? {
            match stream.read(&mut room) {
                Ok(0) => return Ok(()),
                Ok(n) => heard.extend(&room[..n]),
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => {}
                Err(e) if e.kind() == io::ErrorKind::ConnectionReset => return Ok(()),
                Err(e) => return Err(e),
            }
        }
        let mut controller = lock(controller);
        while let Some(used) = take(&heard, &mut controller, &mut unlinks, &mut stream)? {
            heard.drain(..used);
        }
        controller.advance();
        if !controller.device().is_plugged() {
            // What is pending is not answered: with the end of the line the kernel ends it as for a device that is gone.
            let _ = stream.shutdown(std::net::Shutdown::Both);
            return Ok(());
        }
        while let Some(finished) = controller.finished() {
            let unlink = unlinks.remove(&finished.id);
            if finished.status != Status::Cancelled || finished.moved > 0 {
                send(&mut stream, &submitted(&finished))?;
            }
            if let Some(unlink) = unlink {
                let status = if finished.moved > 0 {
                    0
                } else {
                    -libc::ECONNRESET
                };
                send(&mut stream, &head(UNLINKED, unlink, status, 0))?;
            }
        }
    }
}

/// Whether there is something to read, at the latest after `wait`; with none, whenever it comes.
fn is_readable(stream: &UnixStream, wait: Option<Duration>) -> io::Result<bool> {
    let mut poll = libc::pollfd {
        fd: stream.as_raw_fd(),
        events: libc::POLLIN,
        revents: 0,
    };
    // Rounded up: what is due is due then. Once a second in any case, for a plug that is pulled meanwhile.
    let ms = wait.map_or(1000, |w| w.as_micros().div_ceil(1000).min(1000) as i32);
    // SAFETY: one pollfd, which lives until the call is over.
    let n = unsafe { libc::poll(&raw mut poll, 1, ms) };
    if n < 0 {
        let e = io::Error::last_os_error();
        return if e.kind() == io::ErrorKind::Interrupted {
            Ok(false)
        } else {
            Err(e)
        };
    }
    Ok(n > 0)
}

/// Writes all of it; the kernel takes it as fast as it can.
fn send(stream: &mut UnixStream, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        match stream.write(bytes) {
            Ok(n) => bytes = &bytes[n..],
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                std::thread::sleep(Duration::from_micros(200));
            }
            Err(e) => return Err(e),
        }
    }
    Ok(())
}

/// Does the first message of `heard`; gives its length, or none if it is not whole yet. What is taken back is noted in
/// `unlinks`, with the number of the message.
fn take(
    heard: &[u8],
    controller: &mut Controller,
    unlinks: &mut BTreeMap<Id, u32>,
    stream: &mut UnixStream,
) -> io::Result<Option<usize>> {
    if heard.len() < HEAD {
        return Ok(None);
    }
    let (command, id, to_host) = (word(heard, 0), word(heard, 1), word(heard, 3) == 1);
    let endpoint = word(heard, 4) as u8;
    match command {
        SUBMIT => {
            let (flags, length) = (word(heard, 5), word(heard, 6) as usize);
            let out = if to_host { 0 } else { length };
            let Some(data) = heard.get(HEAD..HEAD + out) else {
                return Ok(None);
            };
            let data = data.to_vec();
            let kind = match (endpoint, to_host) {
                (0, _) => {
                    let setup = Setup::from_bytes(heard[40..48].try_into().expect("eight bytes"));
                    Kind::Control(setup, data)
                }
                (_, true) => Kind::In {
                    endpoint: endpoint | 0x80,
                    room: length,
                },
                (_, false) => Kind::Out {
                    endpoint,
                    data,
                    end_with_empty: flags & ZERO_PACKET != 0,
                },
            };
            controller.submit(Transfer {
                id: id.into(),
                kind,
            });
            Ok(Some(HEAD + out))
        }
        UNLINK => {
            let transfer = word(heard, 5).into();
            if controller.cancel(transfer) {
                unlinks.insert(transfer, id);
            } else {
                // It has ended and was answered before this came.
                send(stream, &head(UNLINKED, id, 0, 0))?;
            }
            Ok(Some(HEAD))
        }
        other => Err(io::Error::other(format!("message {other:#x}"))),
    }
}

fn head(command: u32, id: u32, status: i32, moved: u32) -> Vec<u8> {
    let words = [command, id, 0, 0, 0, status as u32, moved, 0, 0, 0, 0, 0];
    words.iter().flat_map(|w| w.to_be_bytes()).collect()
}

fn submitted(finished: &Finished) -> Vec<u8> {
    let status = match finished.status {
        Status::Good => 0,
        Status::Stalled => -libc::EPIPE,
        Status::Gone => -libc::ESHUTDOWN,
        // Only what had begun; the kernel knows that it took it back.
        Status::Cancelled => 0,
        Status::Overflow => -libc::EOVERFLOW,
    };
    let mut message = head(SUBMITTED, finished.id as u32, status, finished.moved as u32);
    message.extend(&finished.data);
    message
}
