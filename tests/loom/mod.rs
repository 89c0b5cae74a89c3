//! The loom: weaves the scenario's devices and image. Nothing here is used by the program; the committed files in
//! `fixtures/` are what the program and the other tests read.
//!
//! - [`draft`]: a device under construction: ports with their pins, cells, instructions
//! - [`heddle`], [`jacquard`], [`cplds`], [`clip`]: the devices, pin by pin
//! - [`image`]: the raw image, its CRC included

mod clip;
mod cplds;
mod draft;
mod heddle;
pub(crate) mod image;
mod jacquard;

use taploom_bsdl::Device;

/// The five devices, each with the stem of its file and the words that head it.
pub(crate) fn devices() -> Vec<(&'static str, &'static str, Device)> {
    vec![
        (
            "heddle_208",
            "HEDDLE_208: an invented FPGA in a 208-pin quad flat pack",
            heddle::device(),
        ),
        (
            "jacquard_256",
            "JACQUARD_256: an invented FPGA in a 256-ball grid array",
            jacquard::device(),
        ),
        (
            "bobbin_44",
            "BOBBIN_44: an invented CPLD in a 44-pin chip carrier, described in the language of 1994",
            cplds::bobbin(),
        ),
        (
            "shuttle_44",
            "SHUTTLE_44: an invented CPLD in a 44-pin chip carrier; its EXTEST is not all zeros",
            cplds::shuttle(),
        ),
        (
            "selvedge_clip",
            "SELVEDGE_CLIP: an invented scan clip, one bidirectional pin for each of 28 lines",
            clip::device(),
        ),
    ]
}

/// The device that keeps its image, of a board of its own.
pub(crate) fn treadle() -> (&'static str, Device) {
    (
        "TREADLE_44: an invented CPLD in a 44-pin chip carrier that keeps its image in flash memory",
        cplds::treadle(),
    )
}
