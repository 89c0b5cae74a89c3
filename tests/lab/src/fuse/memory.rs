//! The memory of the child: usbdevfs ioctls name places in it.

use std::io;

fn part(at: u64, len: usize) -> libc::iovec {
    libc::iovec {
        iov_base: at as *mut libc::c_void,
        iov_len: len,
    }
}

fn whole(moved: isize, len: usize) -> io::Result<()> {
    match usize::try_from(moved) {
        Ok(n) if n == len => Ok(()),
        Ok(n) => Err(io::Error::other(format!("{n} of {len} bytes"))),
        Err(_) => Err(io::Error::last_os_error()),
    }
}

/// Reads `len` bytes at `at` in the process of thread `pid`.
pub(super) fn read(pid: u32, at: u64, len: usize) -> io::Result<Vec<u8>> {
    let mut bytes = vec![0u8; len];
    if len == 0 {
        return Ok(bytes);
    }
    let (here, there) = (part(bytes.as_mut_ptr() as u64, len), part(at, len));
    // SAFETY: `here` is memory of ours of that length; the kernel checks `there`.
    let moved =
        unsafe { libc::process_vm_readv(pid as i32, &raw const here, 1, &raw const there, 1, 0) };
    whole(moved, len)?;
    Ok(bytes)
}

/// Writes `bytes` at `at` in the process of thread `pid`.
pub(super) fn write(pid: u32, at: u64, bytes: &[u8]) -> io::Result<()> {
    if bytes.is_empty() {
        return Ok(());
    }
    let (here, there) = (
        part(bytes.as_ptr() as u64, bytes.len()),
        part(at, bytes.len()),
    );
    // SAFETY: as in `read`; `here` is only read.
    let moved =
        unsafe { libc::process_vm_writev(pid as i32, &raw const here, 1, &raw const there, 1, 0) };
    whole(moved, bytes.len())
}
