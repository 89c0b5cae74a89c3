//! The seam below the encoders: a USB device with control requests and one pair of bulk
//! endpoints.

use std::time::Duration;

use crate::tap::PortError;

/// Why a USB transfer failed, sorted by what the user can do about it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UsbError {
    /// The device went away.
    #[error("the USB device is gone")]
    Gone,
    /// Another program or driver holds it.
    #[error("the USB device is busy")]
    Busy,
    /// The system does not allow it.
    #[error("access to the USB device is not allowed")]
    NotAllowed,
    /// The device refused the request.
    #[error("the USB device refused the request")]
    Stalled,
    /// Nothing moved in time; `done` bytes had moved before.
    #[error("the USB transfer timed out after {done} bytes")]
    TimedOut {
        /// Bytes moved.
        done: usize,
    },
    /// Anything else, with what the system said.
    #[error("USB: {0}")]
    Other(String),
}

impl UsbError {
    /// The same failure as the user of a [`Port`](crate::tap::Port) sees it. `what` names the
    /// adapter, `doing` what was asked of it, `bytes_out` is how much it had taken and `waited`
    /// how long it was waited for.
    pub fn of(self, what: &str, doing: &str, bytes_out: u64, waited: Duration) -> PortError {
        let what = what.to_owned();
        match self {
            UsbError::Gone => PortError::Gone {
                what,
                bytes_out: Some(bytes_out),
            },
            UsbError::Busy => PortError::Busy { what },
            UsbError::NotAllowed => PortError::NotAllowed { what },
            UsbError::Stalled => PortError::Stalled {
                what,
                request: doing.to_owned(),
            },
            UsbError::TimedOut { .. } => PortError::TimedOut {
                what,
                ms: waited.as_millis() as u64,
            },
            UsbError::Other(said) => PortError::Other { what, said },
        }
    }
}

/// What has moved over the bulk endpoints since the device was opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct UsbCounts {
    /// Bytes that the device has taken.
    pub out_bytes: u64,
    /// Bytes that came from it, status bytes included.
    pub in_bytes: u64,
    /// Times that the host had nothing left to send and waited for an answer; control requests
    /// do not count.
    pub round_trips: u64,
}

/// One claimed interface of a USB device.
///
/// Both directions go on by themselves, as they must: writes are queued (a writer thread on
/// real hardware, the virtual host on a simulated one), and after [`Usb::listen`] IN requests
/// stay pending and what arrives is kept until [`Usb::read`] fetches it. So a full answer FIFO
/// never blocks a write, and the device is not left idle between two writes.
pub trait Usb {
    /// A vendor control request without data.
    ///
    /// # Errors
    /// The device is gone, stalls the request, or does not take it in time.
    fn control_out(&mut self, request: u8, value: u16, index: u16) -> Result<(), UsbError>;

    /// A vendor control request that answers with at most `length` bytes.
    ///
    /// # Errors
    /// As [`Usb::control_out`].
    fn control_in(
        &mut self,
        request: u8,
        value: u16,
        index: u16,
        length: u16,
    ) -> Result<Vec<u8>, UsbError>;

    /// Keeps up to `depth` IN requests of `request_bytes` (a multiple of the packet size)
    /// pending on the bulk IN endpoint from now on.
    ///
    /// # Errors
    /// The device is gone.
    fn listen(&mut self, request_bytes: usize, depth: usize) -> Result<(), UsbError>;

    /// Queues `data` as one transfer to the bulk OUT endpoint. At most two transfers are
    /// pending: returns as soon as all earlier ones but one are taken.
    ///
    /// # Errors
    /// [`UsbError::TimedOut`] if the device takes nothing for `timeout`; `done` is how much of
    /// the pending transfers it had taken. Failures of a transfer that was queued before come
    /// out here or in [`Usb::read`].
    fn write(&mut self, data: Vec<u8>, timeout: Duration) -> Result<(), UsbError>;

    /// The next finished IN request, raw: packets of the packet size, each with its two status
    /// bytes, the last one possibly shorter. Waits for it at most `timeout`; with a `timeout`
    /// of zero only fetches what is there.
    ///
    /// # Errors
    /// [`UsbError::TimedOut`] if none finished; or the device is gone.
    fn read(&mut self, timeout: Duration) -> Result<Vec<u8>, UsbError>;

    /// After a failure: forgets what was queued and what came, clears halted endpoints, and takes
    /// transfers again. Nothing listens until [`Usb::listen`] is called anew.
    ///
    /// # Errors
    /// The device is gone, or cannot be restarted.
    fn restart(&mut self) -> Result<(), UsbError> {
        Err(UsbError::Other("it cannot be restarted".to_owned()))
    }

    /// Lets time pass.
    fn pause(&mut self, time: Duration);

    /// The largest packet of the bulk endpoints: 64 or 512.
    fn packet_bytes(&self) -> usize;

    /// The device's product number (idProduct).
    fn product(&self) -> u16;

    /// The device's release number (bcdDevice), which tells the chip.
    fn release(&self) -> u16;

    /// The name of this adapter in messages: product text and serial number.
    fn name(&self) -> String;

    /// What has moved so far.
    fn counts(&self) -> UsbCounts;

    /// Time since the device was opened: virtual on a simulated device, else by the clock.
    fn now(&self) -> Duration;
}

impl<U: Usb + ?Sized> Usb for Box<U> {
    fn control_out(&mut self, request: u8, value: u16, index: u16) -> Result<(), UsbError> {
        (**self).control_out(request, value, index)
    }

    fn control_in(
        &mut self,
        request: u8,
        value: u16,
        index: u16,
        length: u16,
    ) -> Result<Vec<u8>, UsbError> {
        (**self).control_in(request, value, index, length)
    }

    fn listen(&mut self, request_bytes: usize, depth: usize) -> Result<(), UsbError> {
        (**self).listen(request_bytes, depth)
    }

    fn write(&mut self, data: Vec<u8>, timeout: Duration) -> Result<(), UsbError> {
        (**self).write(data, timeout)
    }

    fn read(&mut self, timeout: Duration) -> Result<Vec<u8>, UsbError> {
        (**self).read(timeout)
    }

    fn restart(&mut self) -> Result<(), UsbError> {
        (**self).restart()
    }

    fn pause(&mut self, time: Duration) {
        (**self).pause(time);
    }

    fn packet_bytes(&self) -> usize {
        (**self).packet_bytes()
    }

    fn product(&self) -> u16 {
        (**self).product()
    }

    fn release(&self) -> u16 {
        (**self).release()
    }

    fn name(&self) -> String {
        (**self).name()
    }

    fn counts(&self) -> UsbCounts {
        (**self).counts()
    }

    fn now(&self) -> Duration {
        (**self).now()
    }
}
