//! The FUSE protocol framed by hand: general FUSE libraries hide the raw argument of an ioctl.
//!
//! Layouts from the kernel's `fuse.h`, protocol 7.31. Numbers are of the machine's own byte order.

use std::io;
use std::os::fd::{AsRawFd, OwnedFd};

/// The requests that are answered.
pub(super) mod op {
    pub(in super::super) const LOOKUP: u32 = 1;
    pub(in super::super) const FORGET: u32 = 2;
    pub(in super::super) const GETATTR: u32 = 3;
    pub(in super::super) const OPEN: u32 = 14;
    pub(in super::super) const READ: u32 = 15;
    pub(in super::super) const RELEASE: u32 = 18;
    pub(in super::super) const FLUSH: u32 = 25;
    pub(in super::super) const INIT: u32 = 26;
    pub(in super::super) const OPENDIR: u32 = 27;
    pub(in super::super) const READDIR: u32 = 28;
    pub(in super::super) const RELEASEDIR: u32 = 29;
    pub(in super::super) const ACCESS: u32 = 34;
    pub(in super::super) const INTERRUPT: u32 = 36;
    pub(in super::super) const DESTROY: u32 = 38;
    pub(in super::super) const IOCTL: u32 = 39;
    pub(in super::super) const POLL: u32 = 40;
    pub(in super::super) const BATCH_FORGET: u32 = 42;
}

/// Bytes of a request's head.
const HEAD: usize = 40;
/// Room for any request: the kernel wants at least 8 KiB, and more than the largest write.
pub(super) const ROOM: usize = 64 * 1024;
const MAX_WRITE: u32 = 4096;

/// A request of the kernel.
pub(super) struct Request<'a> {
    pub(super) op: u32,
    pub(super) unique: u64,
    pub(super) node: u64,
    /// The thread that asks.
    pub(super) pid: u32,
    body: &'a [u8],
}

impl<'a> Request<'a> {
    pub(super) fn of(bytes: &'a [u8]) -> Option<Request<'a>> {
        let head = Request {
            op: 0,
            unique: 0,
            node: 0,
            pid: 0,
            body: bytes,
        };
        (bytes.len() >= HEAD).then(|| Request {
            op: head.u32(4),
            unique: head.u64(8),
            node: head.u64(16),
            pid: head.u32(32),
            body: &bytes[HEAD..],
        })
    }

    /// The number at byte `at` of the body; 0 beyond its end.
    pub(super) fn u32(&self, at: usize) -> u32 {
        self.body
            .get(at..at + 4)
            .map_or(0, |b| u32::from_ne_bytes(b.try_into().expect("four bytes")))
    }

    /// As [`Request::u32`].
    pub(super) fn u64(&self, at: usize) -> u64 {
        self.body.get(at..at + 8).map_or(0, |b| {
            u64::from_ne_bytes(b.try_into().expect("eight bytes"))
        })
    }

    /// The name in a lookup.
    pub(super) fn name(&self) -> &[u8] {
        self.body.split(|&b| b == 0).next().unwrap_or_default()
    }
}

/// An answer's content.
#[derive(Default)]
pub(super) struct Body(Vec<u8>);

impl Body {
    pub(super) fn u32(mut self, n: u32) -> Body {
        self.0.extend(n.to_ne_bytes());
        self
    }

    pub(super) fn u64(mut self, n: u64) -> Body {
        self.0.extend(n.to_ne_bytes());
        self
    }

    pub(super) fn bytes(mut self, bytes: &[u8]) -> Body {
        self.0.extend(bytes);
        self
    }

    /// Attributes: a folder, or a file that everybody may read and write.
    fn attributes(self, node: u64, folder: bool) -> Body {
        let mode = if folder {
            libc::S_IFDIR | 0o755
        } else {
            libc::S_IFREG | 0o666
        };
        self.u64(node)
            // Size, blocks, three times.
            .bytes(&[0; 5 * 8])
            // Nanoseconds of the times.
            .bytes(&[0; 3 * 4])
            .u32(mode)
            .u32(1)
            // Owner, group, device, block size, flags.
            .bytes(&[0; 5 * 4])
    }

    /// A node found by its name; nothing of it may be kept.
    pub(super) fn entry(node: u64, folder: bool) -> Body {
        Body::default()
            .u64(node)
            .bytes(&[0; 4 * 8])
            .attributes(node, folder)
    }

    pub(super) fn attribute(node: u64, folder: bool) -> Body {
        Body::default().bytes(&[0; 16]).attributes(node, folder)
    }

    /// An open file whose content is not kept by the kernel.
    pub(super) fn opened(handle: u64) -> Body {
        const DIRECT_IO: u32 = 1;
        Body::default().u64(handle).u32(DIRECT_IO).u32(0)
    }

    pub(super) fn init() -> Body {
        let mut body = Body::default().u32(7).u32(31);
        // Read-ahead, flags, background requests.
        body = body.bytes(&[0; 12]).u32(MAX_WRITE).u32(1);
        // Pages, alignment, more flags, unused.
        body.bytes(&[0; 36])
    }

    /// An ioctl's result; all data went another way.
    pub(super) fn ioctl(result: i32) -> Body {
        Body::default().bytes(&result.to_ne_bytes()).bytes(&[0; 12])
    }

    pub(super) fn poll(events: u32) -> Body {
        Body::default().u32(events).u32(0)
    }

    /// Adds an entry of a folder.
    pub(super) fn folder_entry(&mut self, node: u64, next: u64, folder: bool, name: &str) {
        let kind = if folder { libc::DT_DIR } else { libc::DT_REG };
        let body = std::mem::take(self)
            .u64(node)
            .u64(next)
            .u32(name.len() as u32)
            .u32(u32::from(kind))
            .bytes(name.as_bytes());
        let padded = body.0.len().next_multiple_of(8);
        self.0 = body.0;
        self.0.resize(padded, 0);
    }
}

/// Answers a request: its content, or an errno.
pub(super) fn answer(fuse: &OwnedFd, unique: u64, result: Result<Body, i32>) -> io::Result<()> {
    match result {
        Ok(body) => put(fuse, 0, unique, &body.0),
        Err(errno) => put(fuse, -errno, unique, &[]),
    }
}

/// Wakes whoever polls the file with this poll handle.
pub(super) fn wake(fuse: &OwnedFd, poll_handle: u64) {
    const NOTIFY_POLL: i32 = 1;
    // A world that has ended needs no waking.
    let _ = put(fuse, NOTIFY_POLL, 0, &poll_handle.to_ne_bytes());
}

fn put(fuse: &OwnedFd, error: i32, unique: u64, body: &[u8]) -> io::Result<()> {
    let mut bytes = Vec::with_capacity(16 + body.len());
    bytes.extend((16 + body.len() as u32).to_ne_bytes());
    bytes.extend(error.to_ne_bytes());
    bytes.extend(unique.to_ne_bytes());
    bytes.extend(body);
    // SAFETY: the bytes are as long as said.
    let n = unsafe { libc::write(fuse.as_raw_fd(), bytes.as_ptr().cast(), bytes.len()) };
    if n < 0 {
        return Err(io::Error::last_os_error());
    }
    Ok(())
}

/// Reads one request into `room`; `None` if there is none now.
///
/// # Errors
/// The world has ended.
pub(super) fn next(fuse: &OwnedFd, room: &mut [u8]) -> io::Result<Option<usize>> {
    // SAFETY: `room` is as long as said.
    let n = unsafe { libc::read(fuse.as_raw_fd(), room.as_mut_ptr().cast(), room.len()) };
    if let Ok(n) = usize::try_from(n) {
        return Ok(Some(n));
    }
    let e = io::Error::last_os_error();
    match e.raw_os_error() {
        // EPERM: not mounted yet; ENOENT: a request that was taken back meanwhile.
        Some(libc::EAGAIN | libc::EINTR | libc::ENOENT | libc::EPERM) => Ok(None),
        _ => Err(e),
    }
}
