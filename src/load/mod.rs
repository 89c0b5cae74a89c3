//! Loading images into devices of the chain, by recipe.
//!
//! A [`Recipe`] says in the device's own BSDL instruction names how a family takes a raw image; [`Recipe::check`] holds it
//! against the device's description; [`Image`] recognises an image before its first bit is sent; [`Load`] streams it into
//! one device while the others are in BYPASS.
//!
//! This room never knows transport, USB or the terminal. **Bit 0 is the bit nearest TDO**; within a recipe's numbers the
//! rightmost digit holds bit 0.

mod built_in;
mod error;
mod image;
mod plan;
pub mod play;
mod raw;
mod read;
mod recipe;
mod runner;
mod status;
mod steps;
mod words;

pub use built_in::TEMPLATE;
pub use error::{RecipeError, RecipeFault, RecipeProblem};
pub use image::{Image, ImageError, ImageRefusal, Recognised};
pub use plan::Target;
pub use raw::{Far, Load, LoadEnd, LoadError, LoadFailure, Loaded, Watch};
pub use recipe::{
    ByteOrder, Condition, Data, ImageAction, ImageRule, LengthRule, Opcode, Others, PartRule,
    Preamble, Recipe, Sent, StatusBit, StatusFrom, StatusKind, StatusWord, Step, StepAction,
};
pub use runner::Counts;
pub use status::{SetFlag, StatusReading};

#[cfg(test)]
mod tests;
