//! Synchronous bit-bang: scan programs as bytes for the eight lines of a channel.
//!
//! Each byte sets all output lines at once, and for each byte the chip reads its lines *before*
//! it sets them, so that a reading shows what the byte before it made (check values: lines at
//! FF, `55 AA` sent: `FF 55` read). What is sent:
//!
//! - two bytes a cycle of TCK: low with TMS and TDI, which therefore change on its falling edge,
//!   then high. The reading that comes with the second byte was taken just before the rising
//!   edge: it has that cycle's bit of TDO;
//! - waits as bytes that change nothing; long ones by the host's own clock;
//! - side lines as bytes; where a direction changes (released, or only pulled low) everything
//!   sent is waited for first, since directions come by a control request.
//!
//! Every byte sent gives one byte back, and TCK, TDI and TMS must read as they were set: so a
//! byte that is lost or doubled on the way shows at once, and a line that something else holds
//! as well. Answers after that are not used.
//!
//! Limits: TCK of at most 300 kHz (USB at full speed carries both ways together in 19 packets a
//! millisecond), no answer sooner than the latency timer's millisecond, no more side lines than
//! the low byte has left.
//!
//! To open, the chip is put into the mode with all lines as inputs, the starting levels are
//! sent, and only then the outputs are switched on: no line ever shows an old level. To release,
//! they become inputs again and the mode stays: leaving it would make the chip a serial port
//! that drives some of them.

mod encode;
mod port;
#[cfg(test)]
mod streams;
#[cfg(test)]
mod tests;

pub use port::BitBang;
