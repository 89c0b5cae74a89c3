//! Opening what stands at the other end: a real adapter, a simulated bench, a TAP socket.

use std::fs::File;
use std::io::BufWriter;
use std::path::PathBuf;

use crate::simulator::adapter::Setup;
use crate::simulator::{Bench, BenchError, Witness};
use crate::tap::{Port, PortError};
use crate::transport::libusb::{self, Selector};
use crate::transport::tap_socket::{Address, TapSocket};
use crate::transport::{self, Chip, Lowered, Profile, Trace, Usb};

use super::{Cancel, Session};

/// What stands at the other end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// A real adapter; the selector tells which, when there are several.
    Adapter(Option<String>),
    /// A simulated bench, met through an emulated adapter.
    Bench(PathBuf),
    /// A TAP that another process plays.
    Tap {
        /// `HOST:PORT` or `unix:PATH`.
        address: String,
        /// Whether it may be on another machine.
        allow_remote: bool,
    },
}

/// Why nothing was opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The bench file, or a file that it names, is wrong.
    #[error("{0}")]
    Bench(#[from] Box<BenchError>),
    /// The adapter or the other process cannot be worked with.
    #[error(transparent)]
    Port(#[from] PortError),
    /// The trace file cannot be written.
    #[error("cannot write the trace {}: {source}", path.display())]
    Trace {
        /// The file.
        path: PathBuf,
        /// The system's words.
        source: std::io::Error,
    },
}

impl Session {
    /// Opens what stands at `place`; with `trace`, every clock goes to that file as well.
    ///
    /// # Errors
    /// [`OpenError`]; nothing stays open then.
    pub fn open(
        place: &Place,
        trace: Option<PathBuf>,
        cancel: Cancel,
    ) -> Result<Session, OpenError> {
        let (mut port, label, witness): (Box<dyn Port>, String, Option<Witness>) = match place {
            Place::Adapter(selector) => {
                let selector = Selector::new(selector.as_deref().unwrap_or_default());
                let usb = libusb::open(&selector)?;
                let label = usb.name();
                (adapter(usb, selector.channel())?, label, None)
            }
            Place::Bench(path) => {
                let bench = Bench::open(path).map_err(Box::new)?;
                let witness = bench.witness();
                // The settings were checked when the bench was opened.
                let setup = Setup::of(bench.adapter_settings()).unwrap_or_default();
                (
                    adapter(setup.on(bench), 0)?,
                    format!("simulated bench {}", path.display()),
                    Some(witness),
                )
            }
            Place::Tap {
                address,
                allow_remote,
            } => {
                let parsed: Address = address.parse()?;
                let socket = TapSocket::connect(&parsed, *allow_remote)?;
                (
                    Box::new(Lowered::new(socket)),
                    format!("TAP at {address}"),
                    None,
                )
            }
        };
        if let Some(path) = trace {
            let traced = File::create(&path)
                .and_then(|file| Trace::new(port, FIRST_TCK_HZ, BufWriter::new(file)));
            port = match traced {
                Ok(traced) => Box::new(traced),
                Err(source) => return Err(OpenError::Trace { path, source }),
            };
        }
        Ok(Session::over(port, label, cancel).with_witness(witness))
    }
}

/// TCK of a port that was just opened.
const FIRST_TCK_HZ: u32 = 1_000_000;

/// A chip's channel with the lines of a plain module.
fn adapter<U: Usb + 'static>(usb: U, channel: u8) -> Result<Box<dyn Port>, PortError> {
    let Some(chip) = Chip::of_release(usb.release()) else {
        return Err(PortError::Unsupported {
            what: usb.name(),
            wish: format!(
                "be driven: release {:04x} is no chip known here",
                usb.release()
            ),
        });
    };
    let profile = Profile::plain(chip, channel).ok_or_else(|| PortError::Unsupported {
        what: usb.name(),
        wish: format!(
            "be driven: channel {} of a {} has neither an MPSSE nor synchronous bit-bang",
            char::from(b'A' + channel.min(25)),
            chip.name
        ),
    })?;
    transport::open(usb, profile)
}
