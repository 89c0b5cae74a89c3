//! Drawings, all by one hand: what a package looks like, in characters and as SVG.
//!
//! A drawing is made from plain data and knows no device: [`Package`] says which pin stands where and what it is.

mod package;
mod plane;
mod shape;
mod terminal;

pub use package::{Package, PackagePin, package_of};
pub use plane::package_svg;
pub use shape::{Basis, Corner, Place, Shape, Side};
pub use terminal::package_text;
