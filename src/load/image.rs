//! Images: read in pieces from files of any size, plain or gzip, and recognised before the first bit is sent.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use flate2::read::MultiGzDecoder;

use crate::chain::{Finding, IdCode};

use super::recipe::{ByteOrder, ImageRule, PartRule, Sent};

/// Largest image, unpacked: a bound against files that unpack for ever.
const MOST_BYTES: u64 = 2 << 30;
/// Bytes in which a text without `at` is looked for.
const TEXT_WITHIN: usize = 4096;

/// An image: a file, plain or packed with gzip, or bytes in memory. Its bytes are never held as a whole.
#[derive(Debug, Clone)]
pub struct Image {
    name: String,
    source: Source,
    bytes: u64,
}

#[derive(Debug, Clone)]
enum Source {
    Plain(PathBuf),
    Gzip(PathBuf),
    Memory(Arc<[u8]>),
}

/// Why an image cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ImageError {
    /// It cannot be opened or read.
    #[error("cannot read the image {}: {}", path.display(), crate::files::reason(source))]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// It is a folder or the like.
    #[error("the image {} is not a file", path.display())]
    NotAFile {
        /// What was named.
        path: PathBuf,
    },
    /// It unpacks to more than any image has.
    #[error("the image {} unpacks to more than {} GiB: unpack it first if it is one", path.display(), most >> 30)]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// The bound in bytes.
        most: u64,
    },
    /// It begins like gzip and cannot be unpacked.
    #[error("cannot unpack the image {}: {}", path.display(), if *cut { "it was cut off" } else { "it is damaged" })]
    Packed {
        /// The file.
        path: PathBuf,
        /// Whether it ends too early.
        cut: bool,
        /// What the unpacker says.
        source: io::Error,
    },
    /// It has become shorter since it was opened.
    #[error(
        "the image {name} ended after {found} of {expected} bytes: it was changed while it was read"
    )]
    Changed {
        /// The image.
        name: String,
        /// Its size when it was opened.
        expected: u64,
        /// Where it ended.
        found: u64,
    },
}

/// An image that was recognised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recognised {
    /// The first byte that is sent.
    pub start: u64,
    /// How many bytes are sent; at least one.
    pub bytes: u64,
}

/// Why an image is not for the device: a finding, not an error.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ImageRefusal {
    /// Fewer bytes than any image has.
    TooSmall {
        /// Its size, what the recipe skips not counted.
        bytes: u64,
        /// The least.
        least: u64,
    },
    /// More bytes than any image has.
    TooLarge {
        /// Its size, what the recipe skips not counted.
        bytes: u64,
        /// The most.
        most: u64,
    },
    /// No preamble where it must be.
    NoPreamble {
        /// Its bytes.
        preamble: Vec<u8>,
        /// It must begin within so many bytes.
        within: u64,
    },
    /// The image names another part.
    OtherText {
        /// What it should say.
        expected: String,
        /// What it says there, or `None` if it was looked for everywhere.
        seen: Option<String>,
    },
    /// The image carries the code of another part.
    OtherCode {
        /// The device's.
        expected: IdCode,
        /// The image's.
        seen: IdCode,
    },
    /// It ends before its own length.
    Short {
        /// Bytes that there are.
        bytes: u64,
        /// Bytes that it says it has.
        needed: u64,
    },
}

impl Image {
    /// Opens a file; one that begins like gzip is unpacked while it is read.
    ///
    /// # Errors
    /// [`ImageError`]; a packed file is read through once to know its size.
    pub fn open(path: impl AsRef<Path>) -> Result<Image, ImageError> {
        let path = path.as_ref().to_path_buf();
        let unreadable = |source| ImageError::Unreadable {
            path: path.clone(),
            source,
        };
        let meta = std::fs::metadata(&path).map_err(unreadable)?;
        if !meta.is_file() {
            return Err(ImageError::NotAFile { path });
        }
        let mut file = File::open(&path).map_err(unreadable)?;
        let mut head = [0; 3];
        let gzip = file.read_exact(&mut head).is_ok() && head == [0x1F, 0x8B, 0x08];
        let mut image = Image {
            name: path.display().to_string(),
            source: Source::Plain(path.clone()),
            bytes: meta.len(),
        };
        if gzip {
            image.source = Source::Gzip(path.clone());
            let size = |reader: Box<dyn Read + '_>| {
                io::copy(&mut reader.take(MOST_BYTES + 1), &mut io::sink())
            };
            image.bytes = image.reader(0).and_then(size).map_err(|source| {
                let path = path.clone();
                match source.kind() {
                    io::ErrorKind::UnexpectedEof => ImageError::Packed {
                        path,
                        cut: true,
                        source,
                    },
                    io::ErrorKind::InvalidData | io::ErrorKind::InvalidInput => {
                        ImageError::Packed {
                            path,
                            cut: false,
                            source,
                        }
                    }
                    _ => ImageError::Unreadable { path, source },
                }
            })?;
        }
        if gzip && image.bytes > MOST_BYTES {
            return Err(ImageError::TooLarge {
                path,
                most: MOST_BYTES,
            });
        }
        Ok(image)
    }

    /// An image in memory; `name` is for messages.
    pub fn from_bytes(name: impl Into<String>, bytes: impl Into<Arc<[u8]>>) -> Image {
        let bytes = bytes.into();
        Image {
            name: name.into(),
            bytes: bytes.len() as u64,
            source: Source::Memory(bytes),
        }
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Its size in bytes, unpacked.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// The bytes from `start` on.
    fn reader(&self, start: u64) -> io::Result<Box<dyn Read + '_>> {
        Ok(match &self.source {
            Source::Memory(bytes) => {
                let start = usize::try_from(start)
                    .unwrap_or(usize::MAX)
                    .min(bytes.len());
                Box::new(&bytes[start..])
            }
            Source::Plain(path) => {
                let mut file = File::open(path)?;
                file.seek(SeekFrom::Start(start))?;
                Box::new(file)
            }
            Source::Gzip(path) => {
                let mut packed = MultiGzDecoder::new(io::BufReader::new(File::open(path)?));
                io::copy(&mut (&mut packed).take(start), &mut io::sink())?;
                Box::new(packed)
            }
        })
    }

    fn path(&self) -> PathBuf {
        PathBuf::from(&self.name)
    }

    /// The bytes of a recognised image, in pieces.
    pub(super) fn pieces(&self, what: Recognised) -> Result<Pieces<'_>, ImageError> {
        let reader = self
            .reader(what.start)
            .map_err(|source| ImageError::Unreadable {
                path: self.path(),
                source,
            })?;
        Ok(Pieces {
            image: self,
            reader,
            left: what.bytes,
            done: what.start,
        })
    }

    /// Whether there is anything to send, so that it can be sent though it was refused.
    pub fn can_be_forced(&self, rule: &ImageRule) -> bool {
        self.bytes > rule.skip
    }

    /// Looks whether this is an image for the device, by the recipe's rule: size, preamble, the part that it names, its own
    /// length. `code` is what the device answered with; without it a rule about the code is passed over.
    ///
    /// # Errors
    /// [`ImageError`] if it cannot be read. An image that is not for the device is no error: `Ok(Err(refusal))`.
    pub fn recognise(
        &self,
        rule: &ImageRule,
        entity: &str,
        code: Option<IdCode>,
    ) -> Result<Result<Recognised, ImageRefusal>, ImageError> {
        let bytes = self.bytes.saturating_sub(rule.skip);
        let least = rule.least_bytes.max(1);
        if bytes < least {
            return Ok(Err(ImageRefusal::TooSmall { bytes, least }));
        }
        if let Some(most) = rule.most_bytes
            && bytes > most
        {
            return Ok(Err(ImageRefusal::TooLarge { bytes, most }));
        }
        let head = self.head(rule)?;
        Ok(
            judge(&head, bytes, rule, entity, code).map(|(start, bytes)| Recognised {
                start: rule.skip + start,
                bytes,
            }),
        )
    }

    /// As many bytes after `skip` as the rules look at, or all that there are.
    fn head(&self, rule: &ImageRule) -> Result<Vec<u8>, ImageError> {
        let offsets = rule.parts.iter().map(|p| match p {
            PartRule::Text { at, text } => at.unwrap_or(0) + text.len() as u64 + 300,
            PartRule::IdCode { at, .. } => at + 4,
        });
        let furthest = offsets
            .chain(rule.length.map(|l| l.at + 8))
            .max()
            .unwrap_or(0);
        let within = rule
            .preamble
            .as_ref()
            .map_or(0, |p| p.within + p.bytes.len() as u64);
        let wanted = (within + furthest).max(TEXT_WITHIN as u64);
        let mut head = Vec::new();
        self.reader(rule.skip)
            .and_then(|reader| reader.take(wanted).read_to_end(&mut head))
            .map_err(|source| ImageError::Unreadable {
                path: self.path(),
                source,
            })?;
        Ok(head)
    }
}

/// Start and number of the bytes that are sent, counted after `skip`.
fn judge(
    head: &[u8],
    bytes: u64,
    rule: &ImageRule,
    entity: &str,
    code: Option<IdCode>,
) -> Result<(u64, u64), ImageRefusal> {
    let mut origin = 0;
    let mut after = 0;
    if let Some(preamble) = &rule.preamble {
        let starts = (preamble.within as usize).min(head.len());
        let found = (0..starts).find(|&i| head[i..].starts_with(&preamble.bytes));
        origin = found.ok_or_else(|| ImageRefusal::NoPreamble {
            preamble: preamble.bytes.clone(),
            within: preamble.within,
        })?;
        after = origin + preamble.bytes.len();
    }
    let from = |at: u64| head.get(origin + at as usize..).unwrap_or_default();
    for part in &rule.parts {
        match part {
            PartRule::Text { at, text } => {
                let expected = text.replace("{entity}", entity);
                let place = at.map_or(&head[..head.len().min(TEXT_WITHIN)], from);
                let fits = match at {
                    Some(_) => place.starts_with(expected.as_bytes()),
                    None => place
                        .windows(expected.len())
                        .any(|w| w == expected.as_bytes()),
                };
                if !fits {
                    return Err(ImageRefusal::OtherText {
                        expected,
                        seen: at.map(|_| readable(place)),
                    });
                }
            }
            PartRule::IdCode { at, order } => {
                let Some(expected) = code else { continue };
                let number = number(from(*at), 4, *order);
                let seen = IdCode(number.ok_or(ImageRefusal::Short {
                    bytes,
                    needed: origin as u64 + at + 4,
                })? as u32);
                if !seen.same_part(expected) {
                    return Err(ImageRefusal::OtherCode { expected, seen });
                }
            }
        }
    }
    if let Some(length) = rule.length {
        let said = number(from(length.at), length.bytes.into(), length.order);
        let said = said.ok_or(ImageRefusal::Short {
            bytes,
            needed: origin as u64 + length.at + u64::from(length.bytes),
        })?;
        let needed = (origin as u64)
            .saturating_add(said)
            .saturating_add(length.plus);
        if bytes < needed {
            return Err(ImageRefusal::Short { bytes, needed });
        }
    }
    let start = match rule.send {
        Sent::All => 0,
        Sent::FromPreamble => origin as u64,
        Sent::AfterPreamble => after as u64,
    };
    if start >= bytes {
        return Err(ImageRefusal::TooSmall {
            bytes,
            least: start + 1,
        });
    }
    Ok((start, bytes - start))
}

/// A number of `len` bytes at the start, if they are there.
fn number(bytes: &[u8], len: usize, order: ByteOrder) -> Option<u64> {
    let bytes = bytes.get(..len)?;
    let add = |value: u64, byte: &u8| value << 8 | u64::from(*byte);
    Some(match order {
        ByteOrder::Big => bytes.iter().fold(0, add),
        ByteOrder::Little => bytes.iter().rev().fold(0, add),
    })
}

/// The printable start of some bytes, at most 40 characters.
fn readable(bytes: &[u8]) -> String {
    bytes
        .iter()
        .take(40)
        .take_while(|b| (0x20..0x7F).contains(*b))
        .map(|&b| char::from(b))
        .collect()
}

impl ImageRefusal {
    /// The refusal in words, for a device of this name.
    pub fn finding(&self, device: &str, image: &Image) -> Finding {
        let (what, expected, seen, mend) = match self {
            Self::TooSmall { bytes, least } => (
                "the image is too short to be one",
                format!("at least {least} bytes"),
                format!("{bytes} bytes"),
                "make it anew; it may have been cut off",
            ),
            Self::TooLarge { bytes, most } => (
                "the file is larger than any image for this device",
                format!("at most {most} bytes"),
                format!("{bytes} bytes"),
                "check that it is the raw image and not another output of the design tools",
            ),
            Self::NoPreamble { preamble, within } => (
                "this is not an image for this family",
                format!(
                    "the bytes {} within the first {within}",
                    hex::encode_upper(preamble)
                ),
                "other bytes".into(),
                "check that it is the raw image and not another output of the design tools",
            ),
            Self::OtherText { expected, seen } => (
                "the image is for another part",
                format!("\"{}\" in its head", expected.trim_end()),
                seen.as_ref()
                    .map_or("no such text".into(), |s| format!("\"{s}\"")),
                "take the image that was made for this device, or load it into the device it was made for",
            ),
            Self::OtherCode { expected, seen } => (
                "the image is for another part",
                format!("the IDCODE {expected}, any version"),
                format!("{seen}"),
                "take the image that was made for this device, or load it into the device it was made for",
            ),
            Self::Short { bytes, needed } => (
                "the image ends before its own length",
                format!("{needed} bytes"),
                format!("{bytes} bytes"),
                "make it anew; it may have been cut off",
            ),
        };
        Finding {
            kind: "image refused",
            what: what.into(),
            place: format!("{} for {device}", image.name()),
            expected,
            seen,
            mend: mend.into(),
            fault: true,
        }
    }
}

/// The bytes of an image, piece by piece.
pub(super) struct Pieces<'a> {
    image: &'a Image,
    reader: Box<dyn Read + 'a>,
    left: u64,
    done: u64,
}

impl Pieces<'_> {
    /// Bytes not yet read.
    pub(super) fn left(&self) -> u64 {
        self.left
    }

    /// The next `most` bytes, or what is left.
    pub(super) fn next(&mut self, most: usize) -> Result<Vec<u8>, ImageError> {
        let wanted = usize::try_from(self.left).unwrap_or(usize::MAX).min(most);
        let mut bytes = vec![0; wanted];
        self.reader
            .read_exact(&mut bytes)
            .map_err(|source| match source.kind() {
                io::ErrorKind::UnexpectedEof => ImageError::Changed {
                    name: self.image.name.clone(),
                    expected: self.image.bytes,
                    found: self.done,
                },
                _ => ImageError::Unreadable {
                    path: self.image.path(),
                    source,
                },
            })?;
        self.left -= wanted as u64;
        self.done += wanted as u64;
        Ok(bytes)
    }
}
