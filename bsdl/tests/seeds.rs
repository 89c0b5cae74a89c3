//! The seeds of the fuzz targets, replayed: the sample of each rule, the octal device, three broken files, and what
//! `tests/fuzz/seeds` holds. Each is also cut short at every 97th byte.

use std::path::Path;

#[path = "../../tests/fuzz/bodies/bsdl.rs"]
mod bodies;

fn seeds() -> Vec<Vec<u8>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let samples = taploom_bsdl::codes().filter_map(taploom_bsdl::explain);
    let mut seeds: Vec<Vec<u8>> = samples.map(|e| e.sample.into_bytes()).collect();
    for folder in ["fixtures/bsdl", "fixtures/bsdl/invalid", "tests/fuzz/seeds"] {
        for entry in std::fs::read_dir(root.join(folder)).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file() {
                seeds.push(std::fs::read(path).unwrap());
            }
        }
    }
    seeds
}

#[test]
fn seeds_hold() {
    let seeds = seeds();
    assert!(seeds.len() > 100);
    for seed in &seeds {
        bodies::any_bytes(seed);
        bodies::round_trip(seed);
        for cut in (0..seed.len()).step_by(97) {
            bodies::any_bytes(&seed[..cut]);
            bodies::round_trip(&seed[..cut]);
        }
    }
}
