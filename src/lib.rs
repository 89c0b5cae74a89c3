//! Boundary-scan chain explorer.
