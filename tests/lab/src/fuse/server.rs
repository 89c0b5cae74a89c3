//! The file system `/dev/bus/usb` of one child: a thread that answers the kernel and moves the devices.

use std::os::fd::{AsRawFd, OwnedFd};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use super::BUS;
use super::hub::{File, Hub};
use super::usbdevfs::{self, Call};
use super::wire::{self, Body, Request, op};

const ROOT: u64 = 1;
const BUS_FOLDER: u64 = 2;
/// The node of address 0.
const FIRST_NODE: u64 = 0x100;
/// The longest wait between two looks at the devices.
const LONGEST: Duration = Duration::from_millis(20);

/// Serves until the child's world has ended.
pub(super) fn serve(fuse: OwnedFd, hub: &Mutex<Hub>, log: bool) {
    let fuse = Arc::new(fuse);
    let mut room = vec![0; wire::ROOM];
    let mut mine = Vec::new();
    loop {
        let wait = lock(hub).wait().unwrap_or(LONGEST).min(LONGEST);
        await_input(&fuse, wait);
        loop {
            match wire::next(&fuse, &mut room) {
                Ok(Some(n)) => {
                    let Some(request) = Request::of(&room[..n]) else {
                        continue;
                    };
                    let mut hub = lock(hub);
                    answer(&mut hub, &fuse, &request, &mut mine, log);
                }
                Ok(None) => break,
                Err(_) => {
                    let mut hub = lock(hub);
                    mine.iter().for_each(|&handle| hub.close(handle));
                    return;
                }
            }
        }
        lock(hub).advance();
    }
}

pub(super) fn lock(hub: &Mutex<Hub>) -> std::sync::MutexGuard<'_, Hub> {
    hub.lock().unwrap_or_else(PoisonError::into_inner)
}

fn await_input(fuse: &OwnedFd, wait: Duration) {
    let mut poll = libc::pollfd {
        fd: fuse.as_raw_fd(),
        events: libc::POLLIN,
        revents: 0,
    };
    let time = libc::timespec {
        tv_sec: wait.as_secs() as i64,
        tv_nsec: i64::from(wait.subsec_nanos()),
    };
    // SAFETY: one entry, as said; no signal mask. Whatever comes of it, the caller looks.
    unsafe { libc::ppoll(&raw mut poll, 1, &raw const time, std::ptr::null()) };
}

fn node_name(address: u8) -> String {
    format!("{address:03}")
}

fn answer(hub: &mut Hub, fuse: &Arc<OwnedFd>, request: &Request, mine: &mut Vec<u64>, log: bool) {
    let result = match request.op {
        // No answer is wanted.
        op::FORGET | op::BATCH_FORGET | op::INTERRUPT => return,
        op::INIT => Ok(Body::init()),
        op::DESTROY | op::FLUSH | op::ACCESS | op::RELEASEDIR => Ok(Body::default()),
        op::LOOKUP => lookup(hub, request),
        op::GETATTR => Ok(Body::attribute(request.node, request.node < FIRST_NODE)),
        op::OPENDIR => Ok(Body::opened(0)),
        op::READDIR => Ok(list(hub, request)),
        op::OPEN => open(hub, fuse, request)
            .inspect(|(_, handle)| mine.push(*handle))
            .map(|(b, _)| b),
        op::READ => read(hub, request),
        op::RELEASE => {
            hub.close(request.u64(0));
            Ok(Body::default())
        }
        op::IOCTL => {
            let call = Call {
                pid: request.pid,
                handle: request.u64(0),
                command: request.u32(12),
                argument: request.u64(16),
            };
            let result = usbdevfs::call(hub, &call);
            if log {
                eprintln!(
                    "lab: ioctl {} of {}: {result:?}",
                    call.command & 0xff,
                    call.pid
                );
            }
            // An errno in the answer's head would be the file system's own failure.
            Ok(Body::ioctl(result.unwrap_or_else(|errno| -errno)))
        }
        op::POLL => poll(hub, request),
        _ => Err(libc::ENOSYS),
    };
    // The program may be gone by now.
    let _ = wire::answer(fuse, request.unique, result);
}

fn address_of(node: u64) -> Option<u8> {
    node.checked_sub(FIRST_NODE)?.try_into().ok()
}

fn lookup(hub: &Hub, request: &Request) -> Result<Body, i32> {
    let name = std::str::from_utf8(request.name()).map_err(|_| libc::ENOENT)?;
    match request.node {
        ROOT if name == node_name(BUS) => Ok(Body::entry(BUS_FOLDER, true)),
        BUS_FOLDER => hub
            .plugged()
            .find(|(address, _)| node_name(*address) == name)
            .map(|(address, _)| Body::entry(FIRST_NODE + u64::from(address), false))
            .ok_or(libc::ENOENT),
        _ => Err(libc::ENOENT),
    }
}

fn list(hub: &Hub, request: &Request) -> Body {
    let mut body = Body::default();
    let entries: Vec<(u64, bool, String)> = match request.node {
        ROOT => vec![(BUS_FOLDER, true, node_name(BUS))],
        _ => hub
            .plugged()
            .map(|(a, _)| (FIRST_NODE + u64::from(a), false, node_name(a)))
            .collect(),
    };
    let from = request.u64(8) as usize;
    for (at, (node, folder, name)) in entries.iter().enumerate().skip(from) {
        body.folder_entry(*node, at as u64 + 1, *folder, name);
    }
    body
}

fn open(hub: &mut Hub, fuse: &Arc<OwnedFd>, request: &Request) -> Result<(Body, u64), i32> {
    let address = address_of(request.node).ok_or(libc::EISDIR)?;
    if !hub.is_plugged(address) {
        return Err(libc::ENODEV);
    }
    if hub.sockets[&address].refused {
        return Err(libc::EACCES);
    }
    let handle = hub.number();
    let file = File {
        address,
        fuse: Arc::clone(fuse),
        urbs: Vec::new(),
        done: std::collections::VecDeque::new(),
        poll_handle: None,
    };
    hub.files.insert(handle, file);
    Ok((Body::opened(handle), handle))
}

/// Reading a node gives the descriptors.
fn read(hub: &Hub, request: &Request) -> Result<Body, i32> {
    let address = address_of(request.node).ok_or(libc::EISDIR)?;
    let socket = hub.sockets.get(&address).ok_or(libc::ENODEV)?;
    let all = socket.controller.device().descriptors().all();
    let from = (request.u64(8) as usize).min(all.len());
    let to = (from + request.u32(16) as usize).min(all.len());
    Ok(Body::default().bytes(&all[from..to]))
}

fn poll(hub: &mut Hub, request: &Request) -> Result<Body, i32> {
    const WANTS_NEWS: u32 = 1;
    let (handle, poll_handle, flags) = (request.u64(0), request.u64(8), request.u32(16));
    let address = hub.files.get(&handle).ok_or(libc::EBADF)?.address;
    let gone = !hub.is_plugged(address);
    let file = hub.files.get_mut(&handle).ok_or(libc::EBADF)?;
    let mut events = 0;
    if !file.done.is_empty() {
        events |= libc::POLLOUT | libc::POLLWRNORM;
    }
    if gone {
        events |= libc::POLLERR | libc::POLLHUP;
    }
    if flags & WANTS_NEWS != 0 && events == 0 {
        file.poll_handle = Some(poll_handle);
    }
    Ok(Body::poll(events as u32))
}
