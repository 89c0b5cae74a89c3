//! The raw image that HEDDLE_208 and JACQUARD_256 take; the format stands in `fixtures/knitting-machine/README.md`.

/// What the engine of the device looks for.
pub(crate) const PREAMBLE: [u8; 4] = [0xC9, 0x5A, 0x36, 0xE1];
/// The IDCODE of HEDDLE_208 with the version digit 0.
pub(crate) const HEDDLE_WORD: u32 = 0x04D0_8501;
const SEED: u64 = 0x5EED_0F27_C256;
const PAYLOAD: usize = 49_152;

/// The scenario's image: 49,152 payload bytes, half of them runs of one value, as configurations have.
pub(crate) fn pattern_tap() -> Vec<u8> {
    let mut state = SEED;
    let mut payload = Vec::with_capacity(PAYLOAD);
    while payload.len() < PAYLOAD {
        let word = split_mix(&mut state);
        match word % 4 {
            0 => payload.extend(std::iter::repeat_n(0x00, (word >> 8 & 0x3F) as usize)),
            1 => payload.extend(std::iter::repeat_n(
                (word >> 16) as u8,
                (word >> 8 & 0x0F) as usize,
            )),
            _ => payload.extend(word.to_le_bytes()),
        }
    }
    payload.truncate(PAYLOAD);
    image("HEDDLE_208 pattern-tap", HEDDLE_WORD, &payload)
}

/// The image of the part that keeps it: 600 payload bytes.
pub(crate) fn treadle() -> Vec<u8> {
    let mut state = SEED + 1;
    let payload: Vec<u8> = (0..75)
        .flat_map(|_| split_mix(&mut state).to_be_bytes())
        .collect();
    image("TREADLE_44 carriage", 0x02C6_7A01, &payload)
}

/// An image for the part that has this word, with this part text (at most 32 bytes of ASCII).
pub(crate) fn image(text: &str, part: u32, payload: &[u8]) -> Vec<u8> {
    let mut out = vec![0xFF; 16];
    out.extend(PREAMBLE);
    let mut checked = text.as_bytes().to_vec();
    checked.resize(32, 0);
    checked.extend(part.to_be_bytes());
    checked.extend((payload.len() as u32).to_be_bytes());
    checked.extend(payload);
    let crc = crc16(&checked);
    out.extend(checked);
    out.extend(crc.to_be_bytes());
    out.extend([0xFF; 8]);
    out
}

/// CRC-16 with polynomial 0x1021, start 0xFFFF, most significant bit first, no final inversion.
pub(crate) fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte) << 8, |crc, _| {
            crc << 1 ^ if crc & 0x8000 == 0 { 0 } else { 0x1021 }
        })
    })
}

/// A small published generator (SplitMix64) with a fixed seed: the image is the same everywhere.
fn split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let z = (*state ^ *state >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ z >> 31
}
