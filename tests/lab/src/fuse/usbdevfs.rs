//! The ioctls of a USB device node, as the kernel's `usbdevice_fs.h` has them; our own reading of it, held against a
//! real kernel by the other route.

use crate::controller::{Finished, Kind, Status, Transfer};
use crate::personality::Setup;

use super::hub::{Claim, Hub, Urb};
use super::memory;

/// The kinds of transfer that libusb uses here.
const CONTROL: u8 = 2;
const BULK: u8 = 3;
/// A transfer's flag: an empty packet follows a last one that is full.
const ZERO_PACKET: u32 = 0x40;
/// Zero packet, no limit on sizes, reap after the device is gone.
const CAPABILITIES: u32 = 0x01 | 0x04 | 0x10;
/// Where things stand in `struct usbdevfs_urb` on 64-bit machines.
mod urb {
    pub(super) const BYTES: usize = 56;
    pub(super) const STATUS: u64 = 4;
    pub(super) const ACTUAL: u64 = 28;
    pub(super) const ERRORS: u64 = 40;
}

/// An ioctl: who asks, on which file, what, with which argument.
pub(super) struct Call {
    pub(super) pid: u32,
    pub(super) handle: u64,
    pub(super) command: u32,
    pub(super) argument: u64,
}

/// Its number within the group `U`, whatever sizes and directions are coded into it.
impl Call {
    fn number(&self) -> u32 {
        self.command & 0xff
    }

    fn is_usb(&self) -> bool {
        self.command >> 8 & 0xff == u32::from(b'U')
    }

    /// `len` bytes at the argument.
    fn read(&self, len: usize) -> Result<Vec<u8>, i32> {
        memory::read(self.pid, self.argument, len).map_err(|_| libc::EFAULT)
    }

    fn read_u32(&self) -> Result<u32, i32> {
        Ok(u32_at(&self.read(4)?, 0))
    }

    fn write(&self, at: u64, bytes: &[u8]) -> Result<(), i32> {
        memory::write(self.pid, at, bytes).map_err(|_| libc::EFAULT)
    }
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_ne_bytes(bytes[at..at + 4].try_into().expect("four bytes"))
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from_ne_bytes(bytes[at..at + 8].try_into().expect("eight bytes"))
}

/// Does the call; its result, or an errno.
pub(super) fn call(hub: &mut Hub, call: &Call) -> Result<i32, i32> {
    if !call.is_usb() {
        return Err(libc::ENOTTY);
    }
    let address = hub.files.get(&call.handle).ok_or(libc::EBADF)?.address;
    let reaps = matches!(call.number(), 12 | 13);
    if !hub.is_plugged(address) && !reaps {
        return Err(libc::ENODEV);
    }
    match call.number() {
        3 | 21 => clear_halt(hub, address, call),
        // Set interface, set configuration, reset: nothing changes here.
        4 | 5 | 20 => Ok(0),
        8 => driver_of(hub, address, call),
        10 => submit(hub, address, call),
        11 => discard(hub, address, call),
        12 | 13 => reap(hub, address, call),
        15 => claim(hub, address, call.handle, call.read_u32()?),
        16 => {
            let interface = call.read_u32()? as u8;
            let claims = &mut hub.sockets.get_mut(&address).ok_or(libc::ENODEV)?.claims;
            match claims.get(&interface) {
                Some(Claim::File(h)) if *h == call.handle => {
                    claims.remove(&interface);
                    Ok(0)
                }
                _ => Err(libc::EINVAL),
            }
        }
        18 => interface_call(hub, address, call),
        26 => {
            call.write(call.argument, &CAPABILITIES.to_ne_bytes())?;
            Ok(0)
        }
        27 => {
            // Take the interface from its driver, if it has one, and claim it.
            let interface = u32_at(&call.read(8)?, 0);
            let claims = &mut hub.sockets.get_mut(&address).ok_or(libc::ENODEV)?.claims;
            if claims.get(&(interface as u8)) == Some(&Claim::Driver) {
                claims.remove(&(interface as u8));
            }
            claim(hub, address, call.handle, interface)
        }
        // What is left (synchronous transfers, streams, power) libusb does not use here.
        _ => Err(libc::ENOTTY),
    }
}

fn claim(hub: &mut Hub, address: u8, handle: u64, interface: u32) -> Result<i32, i32> {
    let socket = hub.sockets.get_mut(&address).ok_or(libc::ENODEV)?;
    let there = socket.controller.device().descriptors().interfaces;
    let interface = u8::try_from(interface)
        .ok()
        .filter(|i| *i < there)
        .ok_or(libc::ENOENT)?;
    match socket.claims.get(&interface) {
        Some(Claim::File(h)) if *h == handle => Ok(0),
        Some(_) => Err(libc::EBUSY),
        None => {
            socket.claims.insert(interface, Claim::File(handle));
            Ok(0)
        }
    }
}

/// The name of an interface's driver, into the structure behind its number.
fn driver_of(hub: &Hub, address: u8, call: &Call) -> Result<i32, i32> {
    let interface = call.read_u32()? as u8;
    let name: &[u8] = match hub
        .sockets
        .get(&address)
        .and_then(|s| s.claims.get(&interface))
    {
        None => return Err(libc::ENODATA),
        Some(Claim::Driver) => b"ftdi_sio\0",
        Some(_) => b"usbfs\0",
    };
    call.write(call.argument + 4, name)?;
    Ok(0)
}

/// A call to the driver of an interface: 22 takes it away, 23 looks for one.
fn interface_call(hub: &mut Hub, address: u8, call: &Call) -> Result<i32, i32> {
    let bytes = call.read(16)?;
    let (interface, code) = (u32_at(&bytes, 0) as u8, u32_at(&bytes, 4) & 0xff);
    let claims = &mut hub.sockets.get_mut(&address).ok_or(libc::ENODEV)?.claims;
    match (code, claims.get(&interface)) {
        (22, Some(Claim::Driver | Claim::File(_))) => {
            claims.remove(&interface);
            Ok(0)
        }
        (22, _) => Err(libc::ENODATA),
        (23, None) => {
            claims.insert(interface, Claim::Driver);
            Ok(1)
        }
        (23, Some(_)) => Err(libc::EBUSY),
        _ => Err(libc::ENOTTY),
    }
}

fn clear_halt(hub: &mut Hub, address: u8, call: &Call) -> Result<i32, i32> {
    let endpoint = call.read_u32()? as u16;
    let setup = Setup {
        kind: 0x02,
        request: 0x01,
        value: 0,
        index: endpoint,
        length: 0,
    };
    let socket = hub.sockets.get_mut(&address).ok_or(libc::ENODEV)?;
    socket.controller.control(setup, &[]);
    Ok(0)
}

fn submit(hub: &mut Hub, address: u8, call: &Call) -> Result<i32, i32> {
    let bytes = call.read(urb::BYTES)?;
    let (kind, endpoint) = (bytes[0], bytes[1]);
    let flags = u32_at(&bytes, 8);
    let buffer = u64_at(&bytes, 16);
    let length = u32_at(&bytes, 24) as usize;
    let id = hub.number();
    let data = |at: u64, len: usize| memory::read(call.pid, at, len).map_err(|_| libc::EFAULT);
    let mut room_at = buffer;
    let kind = match (kind, endpoint & 0x80 != 0) {
        (CONTROL, _) => {
            if length < 8 {
                return Err(libc::EINVAL);
            }
            let setup = data(buffer, 8)?;
            let setup = Setup::from_bytes(setup.try_into().expect("eight bytes"));
            if usize::from(setup.length) + 8 > length {
                return Err(libc::EINVAL);
            }
            room_at = buffer + 8;
            let out = if setup.to_host() {
                Vec::new()
            } else {
                data(room_at, setup.length.into())?
            };
            Kind::Control(setup, out)
        }
        (BULK, to_host) => {
            let socket = hub.sockets.get(&address).ok_or(libc::ENODEV)?;
            let interface = socket
                .controller
                .device()
                .descriptors()
                .interface_of(endpoint);
            let interface = interface.ok_or(libc::ENOENT)?;
            // The kernel would claim it and grumble; here it is a fault of the driver.
            if socket.claims.get(&interface) != Some(&Claim::File(call.handle)) {
                return Err(libc::EINVAL);
            }
            if to_host {
                Kind::In {
                    endpoint,
                    room: length,
                }
            } else {
                Kind::Out {
                    endpoint,
                    data: data(buffer, length)?,
                    end_with_empty: flags & ZERO_PACKET != 0,
                }
            }
        }
        _ => return Err(libc::EINVAL),
    };
    let file = hub.files.get_mut(&call.handle).ok_or(libc::EBADF)?;
    file.urbs.push(Urb {
        id,
        at: call.argument,
        buffer: room_at,
    });
    let socket = hub.sockets.get_mut(&address).ok_or(libc::ENODEV)?;
    socket.controller.submit(Transfer { id, kind });
    Ok(0)
}

fn discard(hub: &mut Hub, address: u8, call: &Call) -> Result<i32, i32> {
    let file = hub.files.get(&call.handle).ok_or(libc::EBADF)?;
    let urb = file.urbs.iter().find(|u| u.at == call.argument);
    let id = urb.ok_or(libc::EINVAL)?.id;
    let socket = hub.sockets.get_mut(&address).ok_or(libc::ENODEV)?;
    if socket.controller.cancel(id) {
        Ok(0)
    } else {
        Err(libc::EINVAL)
    }
}

/// Hands the next transfer that has ended to the program; never waits, libusb asks after a poll.
fn reap(hub: &mut Hub, address: u8, call: &Call) -> Result<i32, i32> {
    let plugged = hub.is_plugged(address);
    let file = hub.files.get_mut(&call.handle).ok_or(libc::EBADF)?;
    let Some((urb, finished)) = file.done.pop_front() else {
        return Err(if plugged { libc::EAGAIN } else { libc::ENODEV });
    };
    call.write(urb.buffer, &finished.data)?;
    call.write(urb.at + urb::STATUS, &status(&finished).to_ne_bytes())?;
    let moved = finished.moved as u32;
    call.write(urb.at + urb::ACTUAL, &moved.to_ne_bytes())?;
    call.write(urb.at + urb::ERRORS, &0u32.to_ne_bytes())?;
    call.write(call.argument, &urb.at.to_ne_bytes())?;
    Ok(0)
}

fn status(finished: &Finished) -> i32 {
    match finished.status {
        Status::Good => 0,
        Status::Stalled => -libc::EPIPE,
        Status::Gone => -libc::ESHUTDOWN,
        Status::Cancelled => -libc::ENOENT,
        Status::Overflow => -libc::EOVERFLOW,
    }
}
