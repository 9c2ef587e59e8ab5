//! Which parameters a control unit has: the bit masks of 00, 20, 40 and so on (SAE J1979).

/// Parameters that one mask tells of.
const PER_MASK: u8 = 0x20;

/// The parameters of service 01 that a control unit says it has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Supported {
    /// Bit n of word m: parameter 64 m + n.
    words: [u64; 4],
}

impl Supported {
    /// Takes the mask that parameter `base` (00, 20, ... E0) answers: the first byte's highest
    /// bit is `base` + 1, the last byte's lowest `base` + 0x20.
    ///
    /// Other bases are not masks and are ignored.
    pub fn add_mask(&mut self, base: u8, mask: [u8; 4]) {
        if !base.is_multiple_of(PER_MASK) {
            return;
        }
        let mask = u32::from_be_bytes(mask);
        for offset in 1..=PER_MASK {
            // E0 + 0x20 would be parameter 256, which there is not.
            let Some(number) = base.checked_add(offset) else {
                break;
            };
            if mask >> (PER_MASK - offset) & 1 == 1
                && let Some(word) = self.words.get_mut(usize::from(number / 64))
            {
                *word |= 1 << (number % 64);
            }
        }
    }

    /// Whether the control unit has this parameter.
    #[must_use]
    pub fn contains(&self, number: u8) -> bool {
        self.words
            .get(usize::from(number / 64))
            .is_some_and(|word| word >> (number % 64) & 1 == 1)
    }

    /// The mask to ask for after that of `base`; `None` if there is no further one.
    #[must_use]
    pub fn next_mask(&self, base: u8) -> Option<u8> {
        base.checked_add(PER_MASK)
            .filter(|&next| self.contains(next))
    }

    /// All parameters that the control unit has, masks left out, in rising order.
    pub fn parameters(self) -> impl Iterator<Item = u8> {
        (0..=u8::MAX).filter(move |&n| !n.is_multiple_of(PER_MASK) && self.contains(n))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// The mask BE 1F A8 13 and what it means, a published example of SAE J1979 parameter 00 (from
    /// memory).
    #[test]
    fn a_mask_lists_parameters() {
        let mut supported = Supported::default();
        supported.add_mask(0x00, [0xBE, 0x1F, 0xA8, 0x13]);
        let expected = [
            0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15,
            0x1C, 0x1F,
        ];
        assert_eq!(supported.parameters().collect::<Vec<_>>(), expected);
        assert_eq!(supported.next_mask(0x00), Some(0x20));
        assert_eq!(supported.next_mask(0x20), None);
        assert_eq!(supported.next_mask(0xE0), None);
    }

    #[test]
    fn masks_add_up() {
        let mut supported = Supported::default();
        supported.add_mask(0x40, [0x40, 0x00, 0x00, 0x01]);
        supported.add_mask(0x60, [0x40, 0, 0, 0]);
        supported.add_mask(0x0C, [0xFF; 4]);
        supported.add_mask(0xE0, [0x80, 0, 0, 0x03]);
        assert_eq!(
            supported.parameters().collect::<Vec<_>>(),
            [0x42, 0x62, 0xE1, 0xFF]
        );
        assert_eq!(supported.next_mask(0x40), Some(0x60));
    }

    proptest! {
        #[test]
        fn every_bit_has_its_parameter(block in 0_u8..8, mask: [u8; 4]) {
            let base = block * 0x20;
            let mut supported = Supported::default();
            supported.add_mask(base, mask);
            for n in 1..=0x20_u8 {
                if let Some(number) = base.checked_add(n) {
                    let byte = mask[usize::from((n - 1) / 8)];
                    prop_assert_eq!(supported.contains(number), byte >> (7 - (n - 1) % 8) & 1 == 1);
                }
            }
        }
    }
}
