//! Identity codes: from the raw word to version, part and maker.

use std::fmt;

/// A 32-bit word from a device identification register, as it left TDO: bit 0 first.
///
/// Layout: version in bits 31 to 28, part in 27 to 12, manufacturer in 11 to 1, bit 0 is 1. Standard: IEEE Std 1149.1-2001
/// clause 12.1 (from memory); the layout also in AMD AM011 table 1.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct IdCode(pub u32);

impl IdCode {
    /// The manufacturer field that the standard leaves unassigned (clause 12.2, from memory), so that no device can answer
    /// with it: the end marker carries it.
    pub const NOBODY: u16 = 0x7F;

    /// The version, 0 to 15.
    pub fn version(self) -> u8 {
        (self.0 >> 28) as u8
    }

    /// The part number, 16 bits.
    pub fn part(self) -> u16 {
        (self.0 >> 12) as u16
    }

    /// The manufacturer field, 11 bits.
    pub fn manufacturer_field(self) -> u16 {
        (self.0 >> 1 & 0x7FF) as u16
    }

    /// The manufacturer's name by JEP106: bits 6 to 0 of the field are the code without parity, bits 10 to 7 the number of
    /// continuation bytes. `None` if the code is not assigned.
    pub fn manufacturer(self) -> Option<&'static str> {
        let field = self.manufacturer_field();
        let (bank, code) = ((field >> 7) as u8, (field & 0x7F) as u8);
        // Codes 0 and 127 are never given to a maker; 127 means "look at the next byte".
        if code == 0 || code == 0x7F {
            None
        } else {
            jep106::JEP106Code::new(bank, code).get()
        }
    }

    /// Whether the word can be an identity code at all: bit 0 is 1 and the manufacturer field is a code that can be given to
    /// somebody (its low seven bits neither 0x7F nor all the field ones).
    pub fn is_possible(self) -> bool {
        self.0 & 1 == 1 && self.manufacturer_field() & 0x7F != 0x7F
    }

    /// Whether it is the same part of the same maker, whatever the version.
    pub fn same_part(self, other: IdCode) -> bool {
        (self.0 ^ other.0) & 0x0FFF_FFFF == 0
    }
}

impl fmt::Display for IdCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "0x{:08X}", self.0)
    }
}

impl fmt::Debug for IdCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "IdCode({self})")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_of_published_idcodes() {
        // Word, version, part, manufacturer field, what the maker's name begins with. Sources: vendor BSDL of XC95144; Xilinx
        // answer record 8265 (XC9536, XC9536XL); vendor BSDL quoted in a tutorial (STM32F1); TI SLAU723A (MSP432E4 debug
        // port); Microchip SAM data sheets 15.8.1, 15.7, 11.5.6; public SVF files (ATF1502AS, LFE5U-25F); public vendor chain
        // description (LFE5U-85F); Gowin UG290 table 5-5 (GW1N-1, GW1N(R)-9, GW2A(R)-18). Maker names: JEP106.
        for (word, version, part, field, maker) in [
            (0x2950_8093, 2, 0x9508, 0x049, "Xilinx"),
            (0x2950_2093, 2, 0x9502, 0x049, "Xilinx"),
            (0x0960_2093, 0, 0x9602, 0x049, "Xilinx"),
            (0x1641_0041, 1, 0x6410, 0x020, "STMicroelectronics"),
            (0x4BA0_0477, 4, 0xBA00, 0x23B, "ARM"),
            (0x5BA0_0477, 5, 0xBA00, 0x23B, "ARM"),
            (0x05B3_F03F, 0, 0x5B3F, 0x01F, "Atmel"),
            (0x05B4_203F, 0, 0x5B42, 0x01F, "Atmel"),
            (0x0150_203F, 0, 0x1502, 0x01F, "Atmel"),
            (0x4111_1043, 4, 0x1111, 0x021, "Lattice"),
            (0x4111_3043, 4, 0x1113, 0x021, "Lattice"),
            (0x0900_281B, 0, 0x9002, 0x40D, "G"),
            (0x1100_581B, 1, 0x1005, 0x40D, "G"),
            (0x0000_081B, 0, 0x0000, 0x40D, "G"),
        ] {
            let id = IdCode(word);
            assert_eq!(
                (id.version(), id.part(), id.manufacturer_field()),
                (version, part, field),
                "{id}"
            );
            assert!(id.is_possible(), "{id}");
            let name = id.manufacturer().unwrap_or_default();
            assert!(
                name.to_uppercase().starts_with(&maker.to_uppercase()),
                "{id}: {name:?}"
            );
        }
    }

    #[test]
    fn codes_of_nobody_have_no_name() {
        // JEP106 gives nobody 0 or 127; 0x7F in the whole field is the end marker's (IEEE Std 1149.1 clause 12.2, memory).
        for word in [0x24D0_8501, 0x6B3A_50FF, 0xFFFF_FFFF, 0x0000_0001] {
            assert_eq!(IdCode(word).manufacturer(), None, "{word:#x}");
        }
        // Broadcom's code is 0x3F: its words end in 07F and are possible; those that end in 0FF are not (JEP106, memory).
        assert!(IdCode(0x0CAF_E07F).is_possible());
        assert!(!IdCode(0x0CAF_E0FF).is_possible());
        assert!(!IdCode(0xFFFF_FFFF).is_possible());
    }

    #[test]
    fn versions_do_not_make_another_part() {
        assert!(IdCode(0x2950_8093).same_part(IdCode(0x3950_8093)));
        assert!(!IdCode(0x2950_8093).same_part(IdCode(0x2950_2093)));
        assert_eq!(IdCode(0x0150_203F).to_string(), "0x0150203F");
    }
}
