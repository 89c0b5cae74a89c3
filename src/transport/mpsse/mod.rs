//! The MPSSE: scan programs as the chip's serial-engine commands.
//!
//! What is sent (opcodes from AN_108, check values beside the tests):
//!
//! - whole bytes by `19` (out) or `39` (out and in), odd bits by `1B` or `3B`, all least
//!   significant bit first, out on the falling and in on the rising edge of TCK;
//! - the last bit of a scan with TMS = 1 by `4B` or `6B`, in one command with the moves that
//!   follow it. At most six TMS bits a command: with seven, some chips let the level of TDI out
//!   on TMS. Moves are merged across ops;
//! - clocks in a stable state by `8F` on H types, else as shifts of ones;
//! - side lines by `80` and `82`, read by `81` and `83`;
//! - waits as clocks in the states that TMS can hold outside Shift, else, and where the
//!   chip has no clock-only command and the wait is long, by the host's own clock;
//! - after the last answer of a piece a mark and one `87` (send immediate). The mark is `AA` or
//!   `AB` by turns, which no chip knows and every chip echoes as `FA AA`, `FA AB`: it shows that
//!   not a byte was lost or doubled on the way. Answers without their mark are not used.
//!
//! [`Usb`](super::Usb) keeps IN requests pending by itself, so answers never block the chip for
//! good, whatever its FIFO holds, and pieces in flight bound what the host must keep.
//!
//! After a failure the port can be brought in step once ([`Port::rescue`](crate::tap::Port::rescue)): everything under
//! way is forgotten, the engine starts anew, the test logic is reset, the lines are released. The
//! captures of what failed are not used.
//!
//! To release its lines the port makes them inputs and stays in MPSSE mode: leaving it would
//! turn some into serial outputs.

mod decode;
mod encode;
#[cfg(test)]
mod explain;
mod port;
#[cfg(test)]
mod streams;
#[cfg(test)]
mod tests;

pub use port::Mpsse;

/// The commands used, by what they do; hexadecimal as in AN_108.
mod op {
    /// Bytes out on the falling edge, least significant bit first.
    pub(super) const BYTES_OUT: u8 = 0x19;
    /// Bytes out on the falling and in on the rising edge, least significant bit first.
    pub(super) const BYTES_BOTH: u8 = 0x39;
    /// As [`BYTES_OUT`] for one to eight bits.
    pub(super) const BITS_OUT: u8 = 0x1b;
    /// As [`BYTES_BOTH`] for one to eight bits.
    pub(super) const BITS_BOTH: u8 = 0x3b;
    /// Bits to TMS on the falling edge, TDI held.
    pub(super) const TMS: u8 = 0x4b;
    /// As [`TMS`], and TDO in on the rising edge.
    pub(super) const TMS_READ: u8 = 0x6b;
    pub(super) const SET_LOW: u8 = 0x80;
    pub(super) const READ_LOW: u8 = 0x81;
    pub(super) const SET_HIGH: u8 = 0x82;
    pub(super) const READ_HIGH: u8 = 0x83;
    pub(super) const LOOPBACK_OFF: u8 = 0x85;
    pub(super) const DIVISOR: u8 = 0x86;
    pub(super) const SEND_IMMEDIATE: u8 = 0x87;
    pub(super) const DIVIDE_BY_5_OFF: u8 = 0x8a;
    pub(super) const DIVIDE_BY_5_ON: u8 = 0x8b;
    pub(super) const THREE_PHASE_OFF: u8 = 0x8d;
    /// Eight times n + 1 clocks without data.
    pub(super) const CLOCK_BYTES: u8 = 0x8f;
    /// TCK waits for the return clock on GPIOL3.
    pub(super) const ADAPTIVE_ON: u8 = 0x96;
    pub(super) const ADAPTIVE_OFF: u8 = 0x97;
    /// Two commands that no chip has: echoed after [`BAD_COMMAND`].
    pub(super) const MARKS: [u8; 2] = [0xaa, 0xab];
    /// Comes before the echo of a command that the chip does not know.
    pub(super) const BAD_COMMAND: u8 = 0xfa;
}
