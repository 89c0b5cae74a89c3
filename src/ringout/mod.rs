//! Are the wires right? Plans, observations and diagnosis of a ring-out.
//!
//! - [`Method`]: the ways to ring out a harness
//! - [`Subject`]: the board as a ring-out sees it: terminals, the scan pins that reach them, the wires between
//! - [`Plan`]: which pins are driven, in which order, and which wires cannot be tested and why
//! - [`Response`]: what every listening pin read while each driver drove
//! - [`Links`]: what is joined to what, from all readings
//! - [`diagnose()`]: verdicts, with evidence and words to act on
//! - [`Codes`]: words for many nets at once, by the published sequences
//! - [`rehearse()`]: what a ring-out would do, without an adapter
//! - [`ring_out`]: the loop that runs it all through whatever runs scan programs
//!
//! Plans and diagnosis are pure functions. This room must never know the terminal, adapters or sessions.

mod codes;
mod columns;
mod diagnose;
mod joined;
mod method;
mod moved;
mod observe;
mod plan;
mod rehearse;
mod run;
mod subject;
mod together;
mod verdict;
mod words;

pub use codes::{Codes, Sequence};
pub use diagnose::{diagnose, suspects};
pub use joined::{Link, Links, Stuck};
pub use method::Method;
pub use observe::{Reaction, Reading, Response, StepReading};
pub use plan::{Plan, Step};
pub use rehearse::{Rehearsal, rehearse};
pub use run::{RingOutError, Runner, Wish, ring_out};
pub use subject::{Line, Needs, Station, Subject, Terminal};
pub use verdict::{
    Alternative, Assurance, Evidence, Finding, Heard, RingOut, Untested, Verdict, WireVerdict,
    ohms_of,
};
