//! The route without a kernel's USB core: `/dev/bus/usb` as a FUSE file system that only the child process sees.
