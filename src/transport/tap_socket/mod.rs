//! The TAP socket: a TAP that another process plays, over TCP or a Unix socket.
//!
//! Every message, both ways, is one byte kind, the payload's length as `u32` little-endian,
//! and the payload:
//!
//! | client sends | server answers |
//! |---|---|
//! | `H` and the text `taploom 1`, once and first | `H`, the same text |
//! | `K` clocks: `u32` count (at most 2^20), then two bits a cycle, the first cycle in the low bits, bit 0 TMS, bit 1 TDI, four cycles a byte | `O`: `u32` count, then one bit a cycle, the level of TDO just before that cycle's rising edge of TCK |
//! | `L` line: `u8` line (0 TRST, 1 system reset, 2 + k spare line k), `u8` level (0, 1, 2 released) | `L`: one byte, the levels of the spare lines |
//! | `T` time: `u64` nanoseconds that pass without clocks | `T`, empty |
//!
//! All numbers are little-endian. Levels are electrical: TRST acts at 0. There is one
//! connection a run, the socket carries no TCK rate, and either side closes to end. To read
//! the spare lines without changing one, the client sends the level of TRST once more.
//!
//! Both ends take the other one for hostile: lengths and counts are checked before anything is
//! kept, no message makes them hold more than its limit, and a message that was begun must come
//! to its end in time.

mod address;
mod client;
mod server;
mod wire;

pub use address::Address;
pub use client::TapSocket;
pub use server::{Served, Server};
pub use wire::MAX_CYCLES;
