//! One claimed channel with its two threads.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rusb::{Context, DeviceHandle, Direction, TransferType};

use super::super::{Usb, UsbCounts, UsbError};
use super::error_of;
use super::list::Adapter;

/// How long one transfer call of a thread may block, so that it sees that it is to stop.
const SLICE: Duration = Duration::from_millis(100);
/// How long a control request may take.
const CONTROL: Duration = Duration::from_millis(500);
/// Vendor request to the device, from the device.
const VENDOR_OUT: u8 = 0x40;
const VENDOR_IN: u8 = 0xc0;

/// One claimed channel of a real adapter.
pub struct LibUsb {
    handle: Arc<DeviceHandle<Context>>,
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
    interface: u8,
    endpoint_in: u8,
    endpoint_out: u8,
    packet_bytes: usize,
    /// The kernel's driver had the channel before and is to have it again.
    reattach: bool,
    adapter: Adapter,
    opened: Instant,
    waiting_counted: bool,
    round_trips: u64,
}

/// What the threads and the caller share.
#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Default)]
struct State {
    /// Transfers to be written, the one under way in front.
    out: VecDeque<Vec<u8>>,
    out_bytes: u64,
    finished: VecDeque<Vec<u8>>,
    in_bytes: u64,
    failed: Option<UsbError>,
    stop: bool,
}

impl Shared {
    /// A thread that panicked left the state whole: every change is one statement.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(|e| e.into_inner())
    }

    fn wait<'a>(&self, guard: MutexGuard<'a, State>, time: Duration) -> MutexGuard<'a, State> {
        match self.changed.wait_timeout(guard, time) {
            Ok((guard, _)) => guard,
            Err(e) => e.into_inner().0,
        }
    }

    fn fail(&self, e: UsbError) {
        self.lock().failed.get_or_insert(e);
        self.changed.notify_all();
    }
}

impl LibUsb {
    /// Claims channel `channel` of the device and starts its writer.
    pub(super) fn claim(
        device: &rusb::Device<Context>,
        adapter: &Adapter,
        channel: u8,
        reattach: bool,
    ) -> Result<LibUsb, UsbError> {
        let handle = device.open().map_err(error_of)?;
        let config = device
            .active_config_descriptor()
            .or_else(|_| device.config_descriptor(0))
            .map_err(error_of)?;
        let interface = config
            .interfaces()
            .find(|i| i.number() == channel)
            .and_then(|i| i.descriptors().next())
            .ok_or_else(|| {
                UsbError::Other(format!(
                    "it has no channel {}",
                    char::from(b'A' + channel.min(25))
                ))
            })?;
        let bulk = |direction: Direction| {
            interface
                .endpoint_descriptors()
                .find(|e| e.transfer_type() == TransferType::Bulk && e.direction() == direction)
                .map(|e| (e.address(), usize::from(e.max_packet_size() & 0x7ff)))
                .ok_or_else(|| UsbError::Other("its channel has no bulk endpoints".to_owned()))
        };
        let (endpoint_in, packet_bytes) = bulk(Direction::In)?;
        let (endpoint_out, _) = bulk(Direction::Out)?;
        if packet_bytes < 3 {
            return Err(UsbError::Other(format!(
                "its packets of {packet_bytes} bytes leave no room for data"
            )));
        }
        let number = interface.interface_number();
        let had_driver = handle.kernel_driver_active(number).unwrap_or(false);
        if had_driver {
            handle.detach_kernel_driver(number).map_err(error_of)?;
        }
        if let Err(e) = claim_patiently(&handle, number) {
            if had_driver {
                // As it was; the first failure is the one to tell.
                let _ = handle.attach_kernel_driver(number);
            }
            return Err(error_of(e));
        }
        let handle = Arc::new(handle);
        let mut usb = LibUsb {
            handle,
            shared: Arc::default(),
            threads: Vec::new(),
            interface: number,
            endpoint_in,
            endpoint_out,
            packet_bytes,
            reattach: had_driver && reattach,
            adapter: adapter.clone(),
            opened: Instant::now(),
            waiting_counted: true,
            round_trips: 0,
        };
        usb.start_writer();
        Ok(usb)
    }

    fn start_writer(&mut self) {
        let (handle, shared) = (Arc::clone(&self.handle), Arc::clone(&self.shared));
        let endpoint = self.endpoint_out;
        let writer = std::thread::spawn(move || write_all(&handle, endpoint, &shared));
        self.threads.push(writer);
    }

    /// The adapter as it was listed.
    pub fn adapter(&self) -> &Adapter {
        &self.adapter
    }

    fn stop(&mut self) {
        self.shared.lock().stop = true;
        self.shared.changed.notify_all();
        for thread in self.threads.drain(..) {
            // A thread that panicked has stopped as well.
            let _ = thread.join();
        }
    }

    fn healthy(state: &State) -> Result<(), UsbError> {
        state.failed.clone().map_or(Ok(()), Err)
    }
}

impl Drop for LibUsb {
    /// Gives the channel up; back to the kernel's driver only if that was asked for.
    fn drop(&mut self) {
        self.stop();
        // Nobody is left to be told of a failure, and a device that is gone has no driver.
        let _ = self.handle.release_interface(self.interface);
        if self.reattach {
            let _ = self.handle.attach_kernel_driver(self.interface);
        }
    }
}

/// Claims an interface; another program that only looks at it is done in a moment.
fn claim_patiently(handle: &DeviceHandle<Context>, interface: u8) -> rusb::Result<()> {
    const TRIES: u32 = 4;
    for _ in 1..TRIES {
        match handle.claim_interface(interface) {
            Err(rusb::Error::Busy) => std::thread::sleep(Duration::from_millis(50)),
            other => return other,
        }
    }
    handle.claim_interface(interface)
}

/// The writer: one transfer after the other, each in slices.
fn write_all(handle: &DeviceHandle<Context>, endpoint: u8, shared: &Shared) {
    loop {
        let mut state = shared.lock();
        while state.out.is_empty() && !state.stop {
            state = shared.wait(state, SLICE);
        }
        if state.stop {
            return;
        }
        // The transfer stays in front while it is under way, so that it counts as pending.
        let data = std::mem::take(&mut state.out[0]);
        drop(state);
        let mut sent = 0;
        while sent < data.len() {
            match handle.write_bulk(endpoint, &data[sent..], SLICE) {
                Ok(n) => {
                    sent += n;
                    shared.lock().out_bytes += n as u64;
                    shared.changed.notify_all();
                }
                Err(rusb::Error::Timeout | rusb::Error::Interrupted) => {}
                Err(e) => return shared.fail(error_of(e)),
            }
            if shared.lock().stop {
                return;
            }
        }
        shared.lock().out.pop_front();
        shared.changed.notify_all();
    }
}

/// The reader: keeps asking.
fn read_all(handle: &DeviceHandle<Context>, endpoint: u8, request: usize, shared: &Shared) {
    let mut buffer = vec![0; request];
    loop {
        let result = handle.read_bulk(endpoint, &mut buffer, SLICE);
        let mut state = shared.lock();
        if state.stop {
            return;
        }
        match result {
            Ok(0) | Err(rusb::Error::Timeout | rusb::Error::Interrupted) => {}
            Ok(n) => {
                state.in_bytes += n as u64;
                // Packets with nothing but status are not worth keeping.
                if n > 2 {
                    state.finished.push_back(buffer[..n].to_vec());
                    shared.changed.notify_all();
                }
            }
            Err(e) => {
                drop(state);
                return shared.fail(error_of(e));
            }
        }
    }
}

impl Usb for LibUsb {
    fn control_out(&mut self, request: u8, value: u16, index: u16) -> Result<(), UsbError> {
        self.handle
            .write_control(VENDOR_OUT, request, value, index, &[], CONTROL)
            .map(|_| ())
            .map_err(error_of)
    }

    fn control_in(
        &mut self,
        request: u8,
        value: u16,
        index: u16,
        length: u16,
    ) -> Result<Vec<u8>, UsbError> {
        let mut answer = vec![0; length.into()];
        let n = self
            .handle
            .read_control(VENDOR_IN, request, value, index, &mut answer, CONTROL)
            .map_err(error_of)?;
        answer.truncate(n);
        Ok(answer)
    }

    /// One request is pending at a time, whatever `depth` says: the chip's FIFO bridges the
    /// moment between two. A second call changes nothing.
    fn listen(&mut self, request_bytes: usize, _depth: usize) -> Result<(), UsbError> {
        if self.threads.len() == 1 {
            let (handle, shared) = (Arc::clone(&self.handle), Arc::clone(&self.shared));
            let endpoint = self.endpoint_in;
            self.threads.push(std::thread::spawn(move || {
                read_all(&handle, endpoint, request_bytes, &shared);
            }));
        }
        Ok(())
    }

    fn write(&mut self, data: Vec<u8>, timeout: Duration) -> Result<(), UsbError> {
        if data.is_empty() {
            return Ok(());
        }
        let mut state = self.shared.lock();
        Self::healthy(&state)?;
        state.out.push_back(data);
        self.shared.changed.notify_all();
        self.waiting_counted = false;
        let before = state.out_bytes;
        let (mut taken, mut since) = (before, Instant::now());
        while state.out.len() > 2 {
            Self::healthy(&state)?;
            if state.out_bytes != taken {
                (taken, since) = (state.out_bytes, Instant::now());
            } else if since.elapsed() >= timeout {
                return Err(UsbError::TimedOut {
                    done: (taken - before) as usize,
                });
            }
            state = self.shared.wait(state, SLICE.min(timeout));
        }
        Ok(())
    }

    fn read(&mut self, timeout: Duration) -> Result<Vec<u8>, UsbError> {
        let began = Instant::now();
        let mut state = self.shared.lock();
        loop {
            if let Some(request) = state.finished.pop_front() {
                return Ok(request);
            }
            Self::healthy(&state)?;
            let left = timeout.saturating_sub(began.elapsed());
            if left.is_zero() {
                return Err(UsbError::TimedOut { done: 0 });
            }
            if state.out.is_empty() && !self.waiting_counted {
                self.waiting_counted = true;
                self.round_trips += 1;
            }
            state = self.shared.wait(state, left);
        }
    }

    fn restart(&mut self) -> Result<(), UsbError> {
        self.stop();
        let failed = {
            let mut state = self.shared.lock();
            let failed = state.failed.take();
            if failed == Some(UsbError::Gone) {
                state.failed.clone_from(&failed);
                return Err(UsbError::Gone);
            }
            *state = State {
                out_bytes: state.out_bytes,
                in_bytes: state.in_bytes,
                ..State::default()
            };
            failed
        };
        if failed == Some(UsbError::Stalled) {
            for endpoint in [self.endpoint_out, self.endpoint_in] {
                self.handle.clear_halt(endpoint).map_err(error_of)?;
            }
        }
        self.waiting_counted = true;
        self.start_writer();
        Ok(())
    }

    fn pause(&mut self, time: Duration) {
        std::thread::sleep(time);
    }

    fn packet_bytes(&self) -> usize {
        self.packet_bytes
    }

    fn product(&self) -> u16 {
        self.adapter.product
    }

    fn release(&self) -> u16 {
        self.adapter.release
    }

    fn name(&self) -> String {
        self.adapter.name()
    }

    fn counts(&self) -> UsbCounts {
        let state = self.shared.lock();
        UsbCounts {
            out_bytes: state.out_bytes,
            in_bytes: state.in_bytes,
            round_trips: self.round_trips,
        }
    }

    fn now(&self) -> Duration {
        self.opened.elapsed()
    }
}
