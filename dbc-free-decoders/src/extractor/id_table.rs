//! Identifier to position, fast for identifiers that nothing decodes, which on a real bus are most.

use crate::frame::CanId;

const BASE_IDS: usize = CanId::MAX_BASE as usize + 1;

/// Smallest number of slots for 29-bit identifiers, as a power of two.
const LOG2_MIN_SLOTS: u32 = 6;

/// Positions by identifier; 0 where none was entered.
///
/// The 2,048 11-bit identifiers index an array. The 29-bit ones are hashed, at most half the slots
/// full, so a search ends after a step or two. Neither takes memory before its first identifier.
#[derive(Clone, Debug)]
pub(crate) struct IdTable {
    base: Vec<u32>,
    extended: Vec<Slot>,
    /// How far a hash is shifted to the right to give one of the slots.
    hash_shift: u32,
    entered: usize,
}

#[derive(Clone, Copy, Debug, Default)]
struct Slot {
    number: u32,
    /// 0 marks a free slot.
    position: u32,
}

impl IdTable {
    pub(crate) fn new() -> Self {
        Self {
            base: Vec::new(),
            extended: Vec::new(),
            hash_shift: u32::BITS - LOG2_MIN_SLOTS,
            entered: 0,
        }
    }

    /// The position entered for an identifier, or 0.
    #[inline]
    pub(crate) fn position(&self, id: CanId) -> u32 {
        match id {
            CanId::Base(number) => self.base.get(usize::from(number)).copied().unwrap_or(0),
            CanId::Extended(number) => self
                .extended
                .get(self.slot_of(number))
                .map_or(0, |slot| slot.position),
        }
    }

    /// Enters a position above 0 for an identifier that has none; says whether it could.
    pub(crate) fn enter(&mut self, id: CanId, position: u32) -> bool {
        match id {
            CanId::Base(number) => {
                self.base.resize(BASE_IDS, 0);
                match self.base.get_mut(usize::from(number)) {
                    Some(entry) => *entry = position,
                    None => return false,
                }
            }
            CanId::Extended(number) => {
                if 2 * (self.entered + 1) > self.extended.len() {
                    self.grow();
                }
                self.put(Slot { number, position });
                self.entered += 1;
            }
        }
        true
    }

    fn put(&mut self, slot: Slot) {
        let index = self.slot_of(slot.number);
        if let Some(free) = self.extended.get_mut(index) {
            *free = slot;
        }
    }

    fn grow(&mut self) {
        let slots = match self.extended.len() {
            0 => 1 << LOG2_MIN_SLOTS,
            full => {
                self.hash_shift -= 1;
                2 * full
            }
        };
        let larger = vec![Slot::default(); slots];
        for slot in std::mem::replace(&mut self.extended, larger) {
            if slot.position != 0 {
                self.put(slot);
            }
        }
    }

    /// The slot of the identifier, or the free one where it would go. Half the slots are free, so
    /// the search ends.
    #[inline]
    fn slot_of(&self, number: u32) -> usize {
        // The number of slots is a power of two, or 0.
        let mask = self.extended.len().wrapping_sub(1);
        // Multiplicative hashing by 2^32 over the golden ratio (Knuth, The Art of Computer
        // Programming, vol. 3, 6.4; from memory), from whose high bits the slot is taken.
        let hash = number.wrapping_mul(0x9E37_79B1);
        let mut index = (hash >> self.hash_shift) as usize;
        while let Some(slot) = self.extended.get(index) {
            if slot.position == 0 || slot.number == number {
                break;
            }
            index = (index + 1) & mask;
        }
        index
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_identifier_keeps_its_own_position() {
        let mut table = IdTable::new();
        // J1939 style identifiers differ in few bits; the multiples collide in low bits.
        let extended = (0..5_000_u32).map(|n| CanId::Extended(0x1800_0000 | n << 8));
        let more = (0..5_000_u32).map(CanId::Extended);
        let base = (0..0x800_u16).map(CanId::Base);
        let ids: Vec<CanId> = extended.chain(more).chain(base).collect();
        for (index, &id) in ids.iter().enumerate() {
            assert_eq!(table.position(id), 0, "{id} before it is entered");
            assert!(table.enter(id, index as u32 + 1));
        }
        for (index, &id) in ids.iter().enumerate() {
            assert_eq!(table.position(id), index as u32 + 1, "{id}");
        }
    }

    #[test]
    fn a_number_beyond_eleven_bits_is_no_base_identifier() {
        let mut table = IdTable::new();
        assert!(!table.enter(CanId::Base(0x800), 1));
        assert_eq!(table.position(CanId::Base(0x800)), 0);
    }
}
