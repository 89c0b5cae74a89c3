//! The folders that are bound over `/dev` and `/sys/bus`, and what they say of the devices that are plugged in.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use crate::personality::Descriptors;

use super::world::NODES;

/// A folder of its own, removed at the end.
pub(super) struct Stage(PathBuf);

impl Stage {
    pub(super) fn new() -> io::Result<Stage> {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let name = format!("taploom-lab-{}-{number}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        for inner in ["dev/bus/usb", "dev/shm", "bus/usb/devices", "state"] {
            fs::create_dir_all(folder.join(inner))?;
        }
        let stage = Stage(folder);
        for node in NODES {
            fs::write(stage.0.join("dev").join(node), "")?;
        }
        std::os::unix::fs::symlink("/proc/self/fd", stage.0.join("dev/fd"))?;
        Ok(stage)
    }

    pub(super) fn folder(&self) -> &Path {
        &self.0
    }

    fn device(&self, name: &str) -> PathBuf {
        self.0.join("bus/usb/devices").join(name)
    }

    /// Shows a device as the system would.
    pub(super) fn show(
        &self,
        name: &str,
        bus: u8,
        address: u8,
        device: &Descriptors,
    ) -> io::Result<()> {
        let folder = self.device(name);
        let hidden = self.0.join(format!("{name}.new"));
        fs::create_dir_all(&hidden)?;
        for (file, value) in [
            ("busnum", bus.to_string()),
            ("devnum", address.to_string()),
            ("speed", device.speed.megabits().to_string()),
            ("bConfigurationValue", "1".to_owned()),
        ] {
            fs::write(hidden.join(file), value + "\n")?;
        }
        fs::write(hidden.join("descriptors"), device.all())?;
        // There at once with everything in it.
        fs::rename(hidden, folder)
    }

    pub(super) fn hide(&self, name: &str) {
        // Not there any more is what is wanted.
        let _ = fs::remove_dir_all(self.device(name));
    }
}

impl Drop for Stage {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}
