//! Opening what stands at the other end: a real adapter, a simulated bench, a TAP socket.

use std::fs::File;
use std::io::BufWriter;
use std::path::PathBuf;

use crate::simulator::adapter::Setup;
use crate::simulator::{Bench, BenchError, Witness};
use crate::tap::{Port, PortError};
use crate::transport::libusb::{self, Selector};
use crate::transport::profiles::{self, ProfileError, ProfileFile};
use crate::transport::tap_socket::{Address, TapSocket};
use crate::transport::{self, Chip, Lowered, Trace, Usb};

use super::{Cancel, Session};

/// What stands at the other end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// A real adapter.
    Adapter {
        /// Which one, when there are several.
        selector: Option<String>,
        /// Its profile: a built-in one's name or a file; the plain module of its chip if `None`.
        profile: Option<String>,
        /// The system's serial driver gets its channel back at the end, if it had it before.
        reattach: bool,
    },
    /// A simulated bench, met through an emulated adapter.
    Bench {
        /// The bench file.
        file: PathBuf,
        /// As with a real adapter; the emulated one is wired as a plain module.
        profile: Option<String>,
    },
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
    /// The address of a TAP socket cannot be understood.
    #[error("{0}")]
    Address(PortError),
    /// The TAP socket is on another machine, and nobody permitted that.
    #[error("{0}")]
    Remote(PortError),
    /// The adapter's profile is wrong.
    #[error("{0}")]
    Profile(#[from] Box<ProfileError>),
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
            Place::Adapter {
                selector,
                profile,
                reattach,
            } => {
                let profile = find(profile.as_deref())?;
                let selector = Selector::new(selector.as_deref().unwrap_or_default());
                let channel = channel(profile.as_ref(), selector.channel());
                let usb = libusb::open(&selector, channel, *reattach)?;
                let label = usb.name();
                (adapter(usb, profile, channel)?, label, None)
            }
            Place::Bench { file, profile } => {
                let profile = find(profile.as_deref())?;
                let bench = Bench::open(file).map_err(Box::new)?;
                let witness = bench.witness();
                // The settings were checked when the bench was opened.
                let setup = Setup::of(bench.adapter_settings()).unwrap_or_default();
                let channel = channel(profile.as_ref(), None);
                (
                    adapter(setup.on(bench, channel), profile, channel)?,
                    format!("simulated bench {}", file.display()),
                    Some(witness),
                )
            }
            Place::Tap {
                address,
                allow_remote,
            } => {
                let parsed: Address = address.parse().map_err(OpenError::Address)?;
                let socket = TapSocket::connect(&parsed, *allow_remote);
                let socket = socket.map_err(|error| match error {
                    PortError::Unsupported { .. } => OpenError::Remote(error),
                    error => OpenError::Port(error),
                })?;
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
        let session = Session::over(port, label, cancel).with_witness(witness);
        Ok(match place {
            Place::Adapter { .. } => session,
            Place::Bench { .. } | Place::Tap { .. } => session.unreal(),
        })
    }
}

/// TCK of a port that was just opened.
const FIRST_TCK_HZ: u32 = 1_000_000;

/// The profile that was asked for.
fn find(name: Option<&str>) -> Result<Option<ProfileFile>, Box<ProfileError>> {
    name.map(|name| ProfileFile::find(name).map_err(Box::new))
        .transpose()
}

/// The channel that was asked for, else the first one that the profile is for.
fn channel(profile: Option<&ProfileFile>, asked: Option<u8>) -> u8 {
    let first = profile.and_then(|p| p.channels.first().copied());
    asked.or(first).unwrap_or(0)
}

/// A chip's channel with its profile, or as a plain module.
fn adapter<U: Usb + 'static>(
    usb: U,
    profile: Option<ProfileFile>,
    channel: u8,
) -> Result<Box<dyn Port>, PortError> {
    let letter = char::from(b'A' + channel.min(25));
    let cannot = |why: String| PortError::Unsupported {
        what: usb.name(),
        wish: format!("be driven: {why}"),
    };
    let Some(chip) = Chip::of_release(usb.release()) else {
        let release = usb.release();
        return Err(cannot(format!(
            "release {release:04x} is no chip known here"
        )));
    };
    let profile = match profile {
        Some(file) if !file.is_for(chip) || !file.channels.contains(&channel) => {
            return Err(cannot(format!(
                "the profile \"{}\" is not for channel {letter} of a {}",
                file.profile.name, chip.name
            )));
        }
        Some(file) => file.on(channel),
        None => {
            let Some((_, profile)) = profiles::fitting(chip, channel) else {
                return Err(cannot(format!(
                    "channel {letter} of a {} has neither an MPSSE nor synchronous bit-bang",
                    chip.name
                )));
            };
            profile
        }
    };
    transport::open(usb, profile)
}
