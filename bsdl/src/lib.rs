//! Reads BSDL into a checked device model.
