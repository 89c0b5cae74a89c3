//! Who is on the chain: blind discovery, diagnosis of a sick chain, comparison with a declared one.
//!
//! [`discover()`] looks at a chain of which nothing is known and gives a [`Found`]; [`split_found`] divides its instruction bits
//! among the devices. Everything here is straight-line code over `&mut dyn Port`, and pure functions over what came back.
//! **Bit 0 is the bit nearest TDO**; devices are listed TDI to TDO, position 1 first after TDI.
//!
//! This room never knows transport or USB, and no board except in `compare`.

mod align;
mod compare;
mod diagnosis;
mod discover;
mod finding;
mod idcode;
mod margin;
mod split;
mod stream;

pub use compare::{Chain, Comparison, Row, Verdict, compare};
pub use diagnosis::{Diagnosis, Slower};
pub use discover::{FIRST_DEVICES, Found, FoundDevice, MOST_DEVICES, MOST_IR_BITS, discover};
pub use finding::Finding;
pub use idcode::IdCode;
pub use margin::{Margin, RateTried, margin, rates_up_to};
pub use split::{IrHint, KnownPart, KnownParts, Split, split, split_found};

#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
