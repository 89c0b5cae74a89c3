//! The program as its users have it, before emulated adapters, through the real libusb.
//!
//! Where the system allows no name spaces or no FUSE, every test here says so and why; with `TAPLOOM_TESTS=full` that is
//! a failure.

mod bench;
mod clients;
mod healthy;
mod hotplug;
mod matrix;
mod routes;
