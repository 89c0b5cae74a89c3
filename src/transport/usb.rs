//! The seam below the encoders: a USB device with control requests and one pair of bulk
//! endpoints.

use std::time::Duration;

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

/// One claimed interface of a USB device.
///
/// Reading goes on while writing: after [`Usb::listen`] the implementation keeps IN requests
/// pending by itself (a reader thread on real hardware, the virtual host on a simulated one)
/// and buffers what arrives, so that a full answer FIFO never blocks a [`Usb::write`].
pub trait Usb: Send {
    /// A vendor control request without data to the device.
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

    /// Keeps `depth` IN requests of `request_bytes` (a multiple of the packet size) pending on
    /// the bulk IN endpoint from now on.
    ///
    /// # Errors
    /// The device is gone.
    fn listen(&mut self, request_bytes: usize, depth: usize) -> Result<(), UsbError>;

    /// Writes to the bulk OUT endpoint; returns when the device has taken all bytes.
    ///
    /// # Errors
    /// [`UsbError::TimedOut`] with the bytes taken if the device takes nothing for `timeout`.
    fn write(&mut self, data: &[u8], timeout: Duration) -> Result<(), UsbError>;

    /// The next finished IN request, raw: packets of the packet size with their status bytes,
    /// the last one possibly shorter. Waits for it at most `timeout`.
    ///
    /// # Errors
    /// [`UsbError::TimedOut`] if none finished; or the device is gone.
    fn read(&mut self, timeout: Duration) -> Result<Vec<u8>, UsbError>;

    /// The largest packet of the bulk endpoints: 64 or 512.
    fn packet_bytes(&self) -> usize;

    /// The device's release number (bcdDevice), which tells the chip.
    fn release(&self) -> u16;

    /// Time since some fixed moment: virtual on a simulated device, else by the clock.
    fn now(&self) -> Duration;
}
