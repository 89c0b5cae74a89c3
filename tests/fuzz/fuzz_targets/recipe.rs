//! Any text is read as a recipe or refused with everything that is wrong with it.
#![no_main]

use libfuzzer_sys::fuzz_target;
use taploom::load::Recipe;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(text) = std::str::from_utf8(bytes)
        && let Err(error) = Recipe::parse("fuzz.toml", text)
    {
        assert!(!error.problems.is_empty() && !error.to_string().is_empty());
    }
});
