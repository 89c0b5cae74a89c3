//! Tests of the room without a bench.
