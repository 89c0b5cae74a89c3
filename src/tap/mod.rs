//! The test access port: its sixteen states, scan programs as pure data, chain layout, and the
//! two traits below it: [`Port`] runs programs, [`Clocks`] takes TMS and TDI and gives TDO.
//!
//! A scan program is data. What stands above builds programs and reads their answers; what
//! stands below runs them and knows nothing of devices. **Bit 0 is the bit nearest TDO.**
//!
//! This room knows nothing of devices or USB.
//!
//! Standard: IEEE Std 1149.1-2001 clauses 4 and 6 (from memory), no clause checked in print.

mod instructions;
mod layout;
mod port;
mod program;
mod state;
mod walk;

pub use instructions::{Instructions, Permit};
pub use layout::ChainLayout;
pub use port::{Clocks, Port, PortError, Ticket, Traffic, run};
pub use program::{
    Answers, Compare, Expectations, Level, Line, Mismatch, Op, Piece, PieceLimits, ProgramError,
    Register, ScanProgram, Shift, Slot,
};
pub use state::{TapState, TmsPath};
pub use walk::{Step, Walker};
