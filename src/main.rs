//! The program `taploom`.
fn main() {}
