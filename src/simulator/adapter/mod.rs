//! An adapter chip, with an MPSSE or with bit-bang alone, emulated at USB level on a bench, in virtual time.
//!
//! - [`EmulatedChip`]: the chip itself. Packets and control requests go in and out at moments
//!   that the caller names, its pins clock the bench.
//! - [`EmulatedAdapter`]: the chip on a virtual USB bus with a virtual host; implements
//!   [`Usb`](crate::transport::Usb).
//! - [`Model`]: which chip; [`Timing`]: what the model of time leaves open; [`Faults`]: what goes
//!   wrong; [`Setup`]: all of it from a bench file.
//!
//! # The model of time
//!
//! Time is counted in ticks of 1/14.82 GHz, because then everything comes out whole: the periods
//! of TCK (both base clocks, every divisor), the packet slots of either bus speed, and
//! microseconds. Nothing depends on the clock of the machine that runs it.
//!
//! **Bus.** Time is cut into frames: 125 µs on high speed (512-byte packets), 1 ms on full speed
//! (64-byte packets). A bulk packet of either direction, however short, holds the bus for a
//! slot, 1/13 of a frame on high speed and 1/19 on full speed: the most full packets in a frame
//! that USB 2.0 tables 5-9 and 5-10 allow. Both directions share the bus, by turns when both
//! could go. A packet starts as soon as the bus is free, the host has it (OUT) or asks for it
//! (IN), and the chip takes it or has it; refusals take no time.
//!
//! - The chip takes an OUT packet if its OUT FIFO has room for all of it at the start of the
//!   slot; it is in the FIFO at the end.
//! - An IN packet is taken from the chip at the start of its slot and with the host at its end.
//!   That frees its place in the FIFO at the start of the slot.
//! - A newly queued OUT transfer joins the bus at the next frame boundary after it was queued;
//!   one that was queued behind another goes on without a gap.
//! - An IN request ends with its last byte or with a short packet. A request that ended is
//!   pending again after the host's turn-around; with two or more requests pending nothing is
//!   lost meanwhile.
//! - A control request starts at the next frame boundary and takes that whole frame.
//!
//! **Host.** Every control request and every OUT transfer costs the host its turn-around
//! ([`Timing::turnaround_ns`]) before it is queued; otherwise the host takes no time. What came
//! from the chip can be fetched at the end of the slot that brought it.
//!
//! **Chip.** An IN packet is ready as soon as its payload (packet size less two status bytes)
//! is full; or a send-immediate was executed and there are bytes; or the latency timer, which
//! starts anew with the end of each IN packet, has run out, bytes or none.
//!
//! **Engine.** Commands are executed one after the other from the OUT FIFO. A command that is
//! not a byte shift starts when all of its bytes are in the FIFO, and has done its work at its
//! end; a byte shift starts with its three head bytes and takes its data bytes as they come. A
//! command lasts as long as its clocks, plus the gap between commands ([`Timing::gap_ns`]). A
//! byte leaves the OUT FIFO and its answer enters the IN FIFO at the end of its eighth clock. The
//! engine stands still while the OUT FIFO is empty, and while the IN FIFO has no room for the
//! next answer byte. A host that does not read therefore stops the engine and then its own
//! writes: nothing here breaks that dead-lock but the host's time-out.
//!
//! **Bench.** Each stretch of TCK is handed to the bench as cycles, and the time between two
//! stretches as time that passes (whole nanoseconds; what is left is carried on).
//!
//! Gap and turn-around are assumptions, not publications, and may be set: 100 ns and 50 µs.
//!
//! **Bit-bang.** A byte goes to the pins one byte period after it came to the front of the OUT
//! FIFO: 1/(16 x baud), baud = 3 MHz over the divisor (AN232B-01), rounded up to a tick. In the
//! synchronous mode the pins are read at that moment, before the byte is there (so each reading is one
//! byte behind), and a byte waits until there is room for its reading in the IN FIFO. There is
//! no send-immediate: what does not fill a packet waits for the latency timer. The asynchronous
//! mode only puts out. The directions change with the mode request alone.
//!
//! # Levels
//!
//! TMS and TDI that the chip does not drive are 1 (pull-ups). In a byte or bit shift that
//! changes its data on the falling edge (TCK idle low) a bit is there before the rising edge; in
//! one that changes on the rising edge the bench still sees the bit before. A rising edge of TCK
//! made by a set-bits command clocks the levels that were there before that command. TDO is
//! known at rising edges only: reading the pins shows its level at the last one. In bit-bang the
//! bench sees the levels before the byte with the rising edge, and that byte's reading has the TDO
//! of that edge.

mod bitbang;
mod chip;
mod commands;
mod engine;
mod host;
mod model;
mod pins;
mod settings;
#[cfg(test)]
mod tests;
mod time;

pub use chip::EmulatedChip;
pub use host::EmulatedAdapter;
pub use model::{BitBang, Faults, Model, Timing, Wiring};
pub use settings::Setup;
pub use time::{TICKS_PER_US, Ticks};
