//! Where the signals of a drawn layout come to lie: identifier, byte order, counter and checksum of
//! each message, and its fields one after another with gaps.

use slipwright_decoders::decoder_file::FrameEntry;
use slipwright_decoders::field::{BitOrder, Coding, Field, FieldError};
use slipwright_decoders::frame::CanId;

use super::drawn::{Group, Maker, Numbering};
use super::drawn_signals::Signal;
use super::{BUS_NAMES, Message};
use crate::arbitration::longest_bits;
use crate::protection::Protection;

impl Maker<'_> {
    /// Places a group's signals in as many messages as they need.
    pub(super) fn add(&mut self, group: Group) -> Result<(), FieldError> {
        let mut left = group.signals.as_slice();
        while !left.is_empty() {
            let need: u16 = left.iter().map(|s| u16::from(s.length())).sum();
            let fits_protected = need.min(64) <= 52;
            let protect = fits_protected && self.random.chance(self.style.protected);
            let room = if protect { 52 } else { 64 };
            let mut bits = 0;
            let count = left
                .iter()
                .take_while(|signal| {
                    bits += u16::from(signal.length());
                    bits <= room
                })
                .count();
            let (now, later) = left.split_at(count);
            if now.is_empty() {
                return Ok(());
            }
            self.place(&group, now, protect)?;
            left = later;
        }
        Ok(())
    }

    fn place(
        &mut self,
        group: &Group,
        signals: &[Signal],
        protect: bool,
    ) -> Result<(), FieldError> {
        let order = match (self.style.order, self.random.chance(0.12)) {
            (order, false) => order,
            (BitOrder::Big, true) => BitOrder::Little,
            (BitOrder::Little, true) => BitOrder::Big,
        };
        let need: u16 = signals.iter().map(|s| u16::from(s.length())).sum();
        let least = (need + if protect { 12 } else { 0 }).div_ceil(8);
        let most_spare = usize::from(8 - least.min(8));
        let spare = if self.random.chance(0.7) {
            most_spare
        } else {
            self.random.below(most_spare + 1)
        };
        let length = (least + spare as u16).clamp(1, 8);
        let (protection, from, to) = self.protection(protect, length, order)?;

        // The bits to spare are shared out before the fields; often fields start at bytes.
        let mut gap = i32::from(to - from) - i32::from(need);
        let aligned = self.random.chance(0.6);
        let mut at = from;
        let mut entry = FrameEntry::new(self.identifier(group));
        for signal in signals {
            let to_byte = i32::from((8 - at % 8) % 8);
            if aligned && to_byte <= gap {
                at += to_byte as u16;
                gap -= to_byte;
            } else if !aligned && gap > 0 && self.random.chance(0.4) {
                let skipped = self.random.below(gap as usize + 1).min(7);
                at += skipped as u16;
                gap -= skipped as i32;
            }
            entry.signals.push(signal.at(at, order)?);
            at += u16::from(signal.length());
        }
        entry.bus = BUS_NAMES
            .get(usize::from(group.bus))
            .map(|&name| name.to_owned());
        entry.name = Some(group.name.to_owned());
        entry.length_bytes = length as u8;
        entry.period_ms = Some(group.period_ms);
        self.taken.push((group.bus, entry.id));
        let bits = longest_bits(entry.id.is_extended(), u32::from(length));
        if let Some(load) = self.load.get_mut(usize::from(group.bus)) {
            *load += f64::from(bits) / (group.period_ms * 500.0);
        }
        self.messages.push(Message {
            bus: group.bus,
            entry,
            sources: signals.iter().map(|signal| signal.source).collect(),
            period_ms: group.period_ms,
            phase_ms: self.random.between(0.2, group.period_ms),
            protection,
            base: [self.style.unused; 8],
            description: group.description.clone(),
        });
        Ok(())
    }

    /// Counter and checksum of a message of this length, and the bits that they leave, from and
    /// to, in the numbering of its order.
    fn protection(
        &self,
        protect: bool,
        length: u16,
        order: BitOrder,
    ) -> Result<(Protection, u16, u16), FieldError> {
        if !protect {
            return Ok((Protection::default(), 0, 8 * length));
        }
        // A whole byte and the half of the next one that borders on it.
        let (byte, counter, from, to) = if self.style.protection_first {
            (
                0,
                Field::new(8, 4, order, Coding::Unsigned)?,
                12,
                8 * length,
            )
        } else {
            let end = 8 * (length - 1);
            (
                length - 1,
                Field::new(end - 4, 4, order, Coding::Unsigned)?,
                0,
                end - 4,
            )
        };
        Ok((
            Protection {
                counter: Some(counter),
                checksum: Some((byte as u8, self.style.checksum)),
            },
            from,
            to,
        ))
    }

    /// A free identifier; fast messages tend to have low numbers.
    fn identifier(&mut self, group: &Group) -> CanId {
        let (low, high) = match group.period_ms {
            ms if ms <= 20.0 => (0x040, 0x3FF),
            ms if ms <= 100.0 => (0x100, 0x5FF),
            _ => (0x300, 0x6FF),
        };
        loop {
            let number = low + self.random.below((high - low) as usize) as u32;
            let mixed = self.random.chance(0.5);
            let id = match self.style.numbering {
                Numbering::Extended => self.extended(number),
                Numbering::Mixed if mixed => self.extended(number),
                Numbering::Groups => {
                    let priority = if group.period_ms <= 20.0 { 3 } else { 6 };
                    let parameter_group =
                        self.random.pick(&[0xF000, 0xFE00, 0xFF00]) | self.random.below(256) as u32;
                    let address = self
                        .random
                        .pick(&[0x00, 0x03, 0x0B, 0x13, 0x17, 0x21, 0x31]);
                    CanId::Extended(priority << 26 | parameter_group << 8 | address)
                }
                Numbering::Base | Numbering::Mixed => CanId::Base(number as u16),
            };
            if !self.taken.contains(&(group.bus, id)) {
                return id;
            }
        }
    }

    fn extended(&mut self, number: u32) -> CanId {
        CanId::Extended(number << 18 | self.random.below(1 << 18) as u32)
    }
}
