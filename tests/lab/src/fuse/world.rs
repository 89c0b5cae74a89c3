//! The child's private world: made between fork and exec, so that nothing of it is ever seen outside.
//!
//! What is done, in order: new name spaces (mounts, network; users where the caller is not root); `/dev/fuse` opened and
//! mounted on the staged `dev/bus/usb`; the staged `dev` and `bus` bound over `/dev` and `/sys/bus`; the descriptors of
//! the file system and of a netlink socket (for news of plugs) handed to the parent.
//!
//! Between fork and exec only system calls are made: every text stands ready before.

use std::ffi::{CStr, CString};
use std::io;
use std::os::fd::{AsRawFd, FromRawFd, OwnedFd, RawFd};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

/// What the child does, told to the parent before it is done.
const STEPS: [&str; 6] = [
    "making private name spaces",
    "becoming root of its own user name space",
    "making its mounts private",
    "opening and mounting /dev/fuse",
    "covering /dev and /sys/bus",
    "opening a netlink socket",
];

/// Devices that the staged `/dev` offers beside USB.
pub(super) const NODES: [&str; 6] = ["null", "zero", "full", "random", "urandom", "tty"];

/// Everything that the child needs, ready made.
pub(super) struct World {
    socket: OwnedFd,
    user_maps: Option<[(&'static CStr, CString); 3]>,
    nodes: Vec<(CString, CString)>,
    usb: CString,
    dev: CString,
    bus: CString,
}

/// What the parent gets from the child.
pub(super) struct Gate {
    /// The FUSE device, mounted.
    pub(super) fuse: OwnedFd,
    /// A netlink socket for kernel events in the child's network name space.
    pub(super) uevents: OwnedFd,
}

fn text(path: &Path) -> CString {
    CString::new(path.as_os_str().as_bytes()).expect("no zero byte in our own paths")
}

fn check(result: libc::c_int) -> io::Result<libc::c_int> {
    if result < 0 {
        Err(io::Error::last_os_error())
    } else {
        Ok(result)
    }
}

impl World {
    /// The plan for a child in the staged `folder`, and the parent's end of the line to it.
    pub(super) fn plan(folder: &Path) -> io::Result<(World, OwnedFd)> {
        let mut ends = [0; 2];
        // SAFETY: `ends` has room for two descriptors, which are ours alone afterwards.
        let (parent, child) = unsafe {
            check(libc::socketpair(
                libc::AF_UNIX,
                libc::SOCK_SEQPACKET | libc::SOCK_CLOEXEC,
                0,
                ends.as_mut_ptr(),
            ))?;
            (OwnedFd::from_raw_fd(ends[0]), OwnedFd::from_raw_fd(ends[1]))
        };
        // SAFETY: these calls have no conditions.
        let (uid, gid) = unsafe { (libc::geteuid(), libc::getegid()) };
        let map = |id: u32| CString::new(format!("0 {id} 1")).expect("digits");
        let world = World {
            socket: child,
            user_maps: (uid != 0).then(|| {
                [
                    (c"/proc/self/setgroups", c"deny".to_owned()),
                    (c"/proc/self/uid_map", map(uid)),
                    (c"/proc/self/gid_map", map(gid)),
                ]
            }),
            nodes: NODES
                .iter()
                .map(|node| {
                    let staged = folder.join("dev").join(node);
                    (text(&Path::new("/dev").join(node)), text(&staged))
                })
                .collect(),
            usb: text(&folder.join("dev/bus/usb")),
            dev: text(&folder.join("dev")),
            bus: text(&folder.join("bus")),
        };
        Ok((world, parent))
    }

    /// Enters the world; runs in the child, between fork and exec.
    pub(super) fn enter(&self) -> io::Result<()> {
        self.tell(0)?;
        let mut spaces = libc::CLONE_NEWNS | libc::CLONE_NEWNET;
        if self.user_maps.is_some() {
            spaces |= libc::CLONE_NEWUSER;
        }
        // SAFETY: only this process, which has one thread, is concerned.
        check(unsafe { libc::unshare(spaces) })?;
        self.tell(1)?;
        for (path, content) in self.user_maps.iter().flatten() {
            write_file(path, content)?;
        }
        self.tell(2)?;
        mount(None, c"/", None, libc::MS_REC | libc::MS_PRIVATE, None)?;
        self.tell(3)?;
        let fuse = open_fuse()?;
        // No leading zeros: the kernel would take the number for an octal one.
        let mut options = *b"rootmode=40000,user_id=0,group_id=0,allow_other,fd=\0\0\0\0\0\0";
        let digits_at = options.len() - 6;
        number(&mut options[digits_at..], fuse.as_raw_fd());
        let options = CStr::from_bytes_until_nul(&options).expect("a zero byte at the end");
        let flags = libc::MS_NOSUID | libc::MS_NODEV;
        mount(Some(c"lab"), &self.usb, Some(c"fuse"), flags, Some(options))?;
        self.tell(4)?;
        for (real, staged) in &self.nodes {
            mount(Some(real), staged, None, libc::MS_BIND, None)?;
        }
        let bind = libc::MS_BIND | libc::MS_REC;
        mount(Some(&self.dev), c"/dev", None, bind, None)?;
        mount(Some(&self.bus), c"/sys/bus", None, bind, None)?;
        self.tell(5)?;
        // SAFETY: a new descriptor, ours alone.
        let uevents = unsafe {
            OwnedFd::from_raw_fd(check(libc::socket(
                libc::AF_NETLINK,
                libc::SOCK_RAW | libc::SOCK_CLOEXEC,
                libc::NETLINK_KOBJECT_UEVENT,
            ))?)
        };
        send(&self.socket, &[6], &[fuse.as_raw_fd(), uevents.as_raw_fd()])
    }

    fn tell(&self, step: u8) -> io::Result<()> {
        send(&self.socket, &[step], &[])
    }
}

/// What the child got done: its gate, or at which step it failed.
pub(super) fn hear(parent: &OwnedFd) -> Result<Gate, &'static str> {
    let mut last = None;
    while let Ok((step, fds)) = receive(parent) {
        last = Some(step);
        if let Some([fuse, uevents]) = fds {
            return Ok(Gate { fuse, uevents });
        }
    }
    Err(last
        .and_then(|step| STEPS.get(usize::from(step)))
        .copied()
        .unwrap_or("starting it"))
}

fn open_fuse() -> io::Result<OwnedFd> {
    let flags = libc::O_RDWR | libc::O_CLOEXEC | libc::O_NONBLOCK;
    // SAFETY: the path ends with a zero byte; the new descriptor is ours alone.
    unsafe {
        Ok(OwnedFd::from_raw_fd(check(libc::open(
            c"/dev/fuse".as_ptr(),
            flags,
        ))?))
    }
}

fn mount(
    source: Option<&CStr>,
    target: &CStr,
    kind: Option<&CStr>,
    flags: libc::c_ulong,
    options: Option<&CStr>,
) -> io::Result<()> {
    let or_null = |text: Option<&CStr>| text.map_or(std::ptr::null(), CStr::as_ptr);
    // SAFETY: every pointer is null or a text that ends with a zero byte.
    check(unsafe {
        libc::mount(
            or_null(source),
            target.as_ptr(),
            or_null(kind),
            flags,
            or_null(options).cast(),
        )
    })
    .map(|_| ())
}

fn write_file(path: &CStr, content: &CStr) -> io::Result<()> {
    let bytes = content.to_bytes();
    // SAFETY: the path ends with a zero byte, the descriptor is ours alone, the bytes are as long as said.
    unsafe {
        let file = OwnedFd::from_raw_fd(check(libc::open(
            path.as_ptr(),
            libc::O_WRONLY | libc::O_CLOEXEC,
        ))?);
        let n = libc::write(file.as_raw_fd(), bytes.as_ptr().cast(), bytes.len());
        check(n as libc::c_int).map(|_| ())
    }
}

/// Writes a number of at most five digits and leaves the rest of the room as it is; without memory from the heap.
fn number(room: &mut [u8], n: RawFd) {
    let digits = n.checked_ilog10().unwrap_or(0) as usize + 1;
    let mut left = n;
    for digit in room[..digits].iter_mut().rev() {
        *digit = b'0' + (left % 10) as u8;
        left /= 10;
    }
}

/// Room for one control message with two descriptors, aligned as the kernel wants it.
#[repr(C, align(8))]
struct Ancillary([u8; 64]);

fn send(socket: &OwnedFd, bytes: &[u8], fds: &[RawFd]) -> io::Result<()> {
    let mut room = Ancillary([0; 64]);
    let mut part = libc::iovec {
        iov_base: bytes.as_ptr().cast_mut().cast(),
        iov_len: bytes.len(),
    };
    let fd_bytes = std::mem::size_of_val(fds) as u32;
    // SAFETY: an all-zero msghdr is a valid empty one; the control message is written inside `room`, which is large
    // enough for it and lives until the call is over.
    check(unsafe {
        let mut message: libc::msghdr = std::mem::zeroed();
        message.msg_iov = &raw mut part;
        message.msg_iovlen = 1;
        if !fds.is_empty() {
            message.msg_control = room.0.as_mut_ptr().cast();
            message.msg_controllen = libc::CMSG_SPACE(fd_bytes) as usize;
            let head = libc::CMSG_FIRSTHDR(&raw const message);
            (*head).cmsg_level = libc::SOL_SOCKET;
            (*head).cmsg_type = libc::SCM_RIGHTS;
            (*head).cmsg_len = libc::CMSG_LEN(fd_bytes) as usize;
            std::ptr::copy_nonoverlapping(
                fds.as_ptr().cast::<u8>(),
                libc::CMSG_DATA(head),
                fd_bytes as usize,
            );
        }
        libc::sendmsg(socket.as_raw_fd(), &raw const message, 0) as libc::c_int
    })
    .map(|_| ())
}

/// One message that is there already.
fn receive(socket: &OwnedFd) -> io::Result<(u8, Option<[OwnedFd; 2]>)> {
    let mut byte = [0u8];
    let mut room = Ancillary([0; 64]);
    let mut part = libc::iovec {
        iov_base: byte.as_mut_ptr().cast(),
        iov_len: 1,
    };
    // SAFETY: as in `send`; descriptors that came are new and ours alone.
    unsafe {
        let mut message: libc::msghdr = std::mem::zeroed();
        message.msg_iov = &raw mut part;
        message.msg_iovlen = 1;
        message.msg_control = room.0.as_mut_ptr().cast();
        message.msg_controllen = room.0.len();
        let flags = libc::MSG_DONTWAIT | libc::MSG_CMSG_CLOEXEC;
        let n = check(libc::recvmsg(socket.as_raw_fd(), &raw mut message, flags) as libc::c_int)?;
        if n == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        let head = libc::CMSG_FIRSTHDR(&raw const message);
        if head.is_null() || (*head).cmsg_type != libc::SCM_RIGHTS {
            return Ok((byte[0], None));
        }
        let mut fds = [0 as RawFd; 2];
        std::ptr::copy_nonoverlapping(
            libc::CMSG_DATA(head),
            fds.as_mut_ptr().cast::<u8>(),
            std::mem::size_of_val(&fds),
        );
        Ok((byte[0], Some(fds.map(|fd| OwnedFd::from_raw_fd(fd)))))
    }
}

/// Sends news of a plug as the kernel words it: to the kernel's own socket, which passes it on to every listener in the
/// name space. Parts are `KEY=value`, the head first.
pub(super) fn send_uevent(socket: &OwnedFd, parts: &[String]) -> io::Result<()> {
    const REQUEST: u16 = 1;
    const FIRST_FREE_TYPE: u16 = 0x10;
    let body: Vec<u8> = parts
        .iter()
        .flat_map(|part| part.bytes().chain([0]))
        .collect();
    // nlmsghdr: length, type, flags, sequence, sender.
    let mut message = Vec::new();
    message.extend((16 + body.len() as u32).to_ne_bytes());
    message.extend(FIRST_FREE_TYPE.to_ne_bytes());
    message.extend(REQUEST.to_ne_bytes());
    message.extend([0; 8]);
    message.extend(body);
    // SAFETY: the address is an all-zero netlink address (the kernel's) but for its family; lengths are as said.
    let n = unsafe {
        let mut kernel: libc::sockaddr_nl = std::mem::zeroed();
        kernel.nl_family = libc::AF_NETLINK as u16;
        libc::sendto(
            socket.as_raw_fd(),
            message.as_ptr().cast(),
            message.len(),
            0,
            (&raw const kernel).cast(),
            std::mem::size_of_val(&kernel) as u32,
        )
    };
    check(n as libc::c_int).map(|_| ())
}
