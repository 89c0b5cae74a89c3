//! Opening what stands at the other end: a real adapter, a simulated bench, a TAP socket.

use std::path::PathBuf;

use crate::simulator::adapter::Setup;
use crate::simulator::{Bench, BenchError, Witness};
use crate::tap::{Port, PortError};
use crate::transport::tap_socket::{Address, TapSocket};
use crate::transport::{Chip, Lowered, Mpsse, Profile, Usb};

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
        let _ = trace;
        let (port, label, witness): (Box<dyn Port>, String, Option<Witness>) = match place {
            Place::Adapter(selector) => {
                let what = selector.clone().unwrap_or_else(|| "an adapter".into());
                return Err(PortError::NotFound { what }.into());
            }
            Place::Bench(path) => {
                let bench = Bench::open(path).map_err(Box::new)?;
                let witness = bench.witness();
                // The settings were checked when the bench was opened.
                let setup = Setup::of(bench.adapter_settings()).unwrap_or_default();
                (
                    Box::new(mpsse(setup.on(bench))?),
                    format!("simulated bench {}", path.display()),
                    Some(witness),
                )
            }
            Place::Tap {
                address,
                allow_remote,
            } => {
                let parsed: Address = address.parse().map_err(|_| PortError::NotFound {
                    what: address.clone(),
                })?;
                let socket = TapSocket::connect(&parsed, *allow_remote)?;
                (
                    Box::new(Lowered::new(socket)),
                    format!("TAP at {address}"),
                    None,
                )
            }
        };
        Ok(Session::over(port, label, cancel).with_witness(witness))
    }
}

/// The serial engine of a chip, with the lines of a plain module.
fn mpsse<U: Usb>(usb: U) -> Result<Mpsse<U>, PortError> {
    let chip = Chip::of_release(usb.release());
    let name = chip.map_or("unknown chip", |c| c.name);
    let profile = Profile::plain_module(
        &format!("plain {name} module, channel A"),
        0,
        chip.map_or(0, |c| c.high_lines),
    );
    Mpsse::open(usb, profile)
}
