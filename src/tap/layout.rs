//! Chain layout: where each device's bits stand in a scan through the whole chain.

use std::ops::Range;

use crate::bits::Bits;

/// The instruction register lengths of a chain's devices, TDI to TDO.
///
/// Device 0 is the first after TDI. The last device is nearest TDO, so its bits are the lowest
/// ones of every scan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChainLayout {
    ir_lengths: Vec<usize>,
}

impl ChainLayout {
    /// A chain of devices with these instruction register lengths, TDI to TDO.
    pub fn new(ir_lengths: Vec<usize>) -> Self {
        ChainLayout { ir_lengths }
    }

    /// Number of devices.
    pub fn len(&self) -> usize {
        self.ir_lengths.len()
    }

    /// Whether there is no device.
    pub fn is_empty(&self) -> bool {
        self.ir_lengths.is_empty()
    }

    /// The instruction register lengths, TDI to TDO.
    pub fn ir_lengths(&self) -> &[usize] {
        &self.ir_lengths
    }

    /// The sum of the instruction register lengths.
    pub fn ir_total(&self) -> usize {
        self.ir_lengths.iter().sum()
    }

    /// Where the device's instruction stands in an instruction scan.
    ///
    /// # Panics
    /// If there is no such device.
    pub fn ir_field(&self, device: usize) -> Range<usize> {
        field(&self.ir_lengths, device)
    }

    /// One instruction scan: the given opcodes, and BYPASS (all ones) where there is `None`.
    /// The opcodes stand TDI to TDO like the devices.
    ///
    /// # Panics
    /// If number or lengths of the opcodes do not fit the chain.
    pub fn ir_scan(&self, opcodes: &[Option<&Bits>]) -> Bits {
        assert_eq!(
            opcodes.len(),
            self.len(),
            "one opcode or None for each device"
        );
        let mut scan = Bits::with_capacity(self.ir_total());
        for (&len, opcode) in self.ir_lengths.iter().zip(opcodes).rev() {
            match opcode {
                Some(bits) => {
                    assert_eq!(bits.len(), len, "an opcode as long as its register");
                    scan.append(bits);
                }
                None => scan.push_run(true, len),
            }
        }
        scan
    }

    /// One instruction scan with `opcode` in one device and BYPASS in all others.
    ///
    /// # Panics
    /// If there is no such device or the opcode has another length than its register.
    pub fn ir_scan_for(&self, device: usize, opcode: &Bits) -> Bits {
        let mut opcodes = vec![None; self.len()];
        opcodes[device] = Some(opcode);
        self.ir_scan(&opcodes)
    }

    /// Data register lengths with one register selected in one device and BYPASS (one bit) in
    /// all others.
    ///
    /// # Panics
    /// If there is no such device.
    pub fn dr_lengths_for(&self, device: usize, length: usize) -> Vec<usize> {
        let mut lengths = vec![1; self.len()];
        lengths[device] = length;
        lengths
    }

    /// Where a device's data register stands in a data scan through registers of these lengths
    /// (TDI to TDO).
    ///
    /// # Panics
    /// If there is no such device.
    pub fn dr_field(lengths: &[usize], device: usize) -> Range<usize> {
        field(lengths, device)
    }

    /// One data scan: the given register contents, and one zero (a BYPASS bit) where there is
    /// `None`. TDI to TDO like the devices.
    ///
    /// # Panics
    /// If the number does not fit the chain.
    pub fn dr_scan(&self, registers: &[Option<&Bits>]) -> Bits {
        assert_eq!(
            registers.len(),
            self.len(),
            "one register or None for each device"
        );
        let mut scan = Bits::new();
        for register in registers.iter().rev() {
            match register {
                Some(bits) => scan.append(bits),
                None => scan.push(false),
            }
        }
        scan
    }
}

fn field(lengths: &[usize], device: usize) -> Range<usize> {
    let start: usize = lengths[device + 1..].iter().sum();
    start..start + lengths[device]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_device_has_the_lowest_bits() {
        let layout = ChainLayout::new(vec![4, 2, 3]);
        assert_eq!(layout.ir_total(), 9);
        assert_eq!(layout.ir_field(0), 5..9);
        assert_eq!(layout.ir_field(2), 0..3);
        let scan = layout.ir_scan_for(1, &Bits::from_u64(0b01, 2));
        assert_eq!(scan.to_binary(), "111101111");
        assert_eq!(scan.slice(3, 2).get_u64(0, 2), 0b01);
    }

    #[test]
    fn data_scans_pad_one_bit_a_bypassed_device() {
        let layout = ChainLayout::new(vec![4, 2, 3]);
        let register = Bits::from_binary("1011").unwrap();
        let scan = layout.dr_scan(&[None, Some(&register), None]);
        assert_eq!(scan.to_binary(), "010110");
        let field = ChainLayout::dr_field(&layout.dr_lengths_for(1, 4), 1);
        assert_eq!(scan.slice(field.start, field.len()), register);
    }

    #[test]
    fn four_octal_scan_devices_add_up() {
        // Derived test numbers of the octal scan device (computed): IR 32, BYPASS 4, boundary 72.
        let layout = ChainLayout::new(vec![8; 4]);
        assert_eq!(layout.ir_total(), 32);
        assert_eq!(layout.dr_scan(&[None; 4]).len(), 4);
        let boundary = Bits::zeros(18);
        assert_eq!(layout.dr_scan(&[Some(&boundary); 4]).len(), 72);
    }
}
