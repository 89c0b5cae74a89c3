//! Waiting for a plug.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rusb::{Context, Device, Hotplug, HotplugBuilder, UsbContext};

use super::super::{Chip, UsbError};
use super::{context, error_of};

/// How long one wait for an event lasts, so that a wish to stop is seen.
const SLICE: Duration = Duration::from_millis(100);
/// Nodes get their rights some moments after the plug, and not every host tells of plugs: what
/// is plugged in is looked at again this often.
const LOOK: Duration = Duration::from_millis(500);

/// How a wait ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Plugged {
    /// What is plugged in may be other than before.
    Changed,
    /// The time is over.
    TimedOut,
    /// It was to stop.
    Stopped,
    /// This host has no USB.
    NoUsb,
}

/// Sets the flag at every plug and unplug of an adapter.
struct Tell(Arc<AtomicBool>);

impl Hotplug<Context> for Tell {
    fn device_arrived(&mut self, _: Device<Context>) {
        self.0.store(true, Ordering::Relaxed);
    }

    fn device_left(&mut self, _: Device<Context>) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// Waits for `done` to find what it looks for: asks it at once, at every plug and unplug that
/// libusb tells of, and every half second, until `limit` is over or `stop` says so.
///
/// # Errors
/// libusb failed; or what `done` gives.
pub fn wait_for_plug<T>(
    limit: Duration,
    stop: impl Fn() -> bool,
    mut done: impl FnMut() -> Result<Option<T>, UsbError>,
) -> Result<(Plugged, Option<T>), UsbError> {
    let Some(context) = context() else {
        return Ok((Plugged::NoUsb, None));
    };
    let changed = Arc::new(AtomicBool::new(true));
    // Kept to the end: dropping it ends the telling. Without it, looking has to do.
    let _telling = rusb::has_hotplug()
        .then(|| {
            HotplugBuilder::new()
                .vendor_id(Chip::VENDOR)
                .register(&context, Box::new(Tell(Arc::clone(&changed))))
                .ok()
        })
        .flatten();
    let began = Instant::now();
    let mut looked = began;
    loop {
        if changed.swap(false, Ordering::Relaxed) || looked.elapsed() >= LOOK {
            looked = Instant::now();
            if let Some(found) = done()? {
                return Ok((Plugged::Changed, Some(found)));
            }
        }
        if stop() {
            return Ok((Plugged::Stopped, None));
        }
        let left = limit.saturating_sub(began.elapsed());
        if left.is_zero() {
            return Ok((Plugged::TimedOut, None));
        }
        match context.handle_events(Some(left.min(SLICE))) {
            Ok(()) | Err(rusb::Error::Interrupted) => {}
            Err(e) => return Err(error_of(e)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wait_ends_by_what_is_found_by_time_or_by_the_wish_to_stop() {
        let wait = |limit, stop: bool, found: Option<u8>| {
            wait_for_plug(Duration::from_millis(limit), || stop, || Ok(found)).unwrap()
        };
        if context().is_none() {
            assert_eq!(wait(50, false, Some(1)), (Plugged::NoUsb, None));
            return;
        }
        assert_eq!(wait(50, false, Some(1)), (Plugged::Changed, Some(1)));
        assert_eq!(wait(50, false, None), (Plugged::TimedOut, None));
        assert_eq!(wait(5000, true, None), (Plugged::Stopped, None));
    }
}
