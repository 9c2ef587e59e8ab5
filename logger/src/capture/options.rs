//! The option list at the end of a block's body: code, length, value, padding (draft section 3.5).

use super::format::{ByteOrder, option, padded};

/// Iterates over (code, value). Ends at the end mark, at the end of the bytes, or where an option
/// runs past them; [`Options::is_broken`] tells the last case.
pub(crate) struct Options<'a> {
    rest: &'a [u8],
    order: ByteOrder,
    broken: bool,
}

impl<'a> Options<'a> {
    pub(crate) fn new(bytes: &'a [u8], order: ByteOrder) -> Self {
        Self {
            rest: bytes,
            order,
            broken: false,
        }
    }

    /// Whether the list ended because an option ran past the block.
    pub(crate) fn is_broken(&self) -> bool {
        self.broken
    }
}

impl<'a> Iterator for Options<'a> {
    type Item = (u16, &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        if self.rest.is_empty() {
            return None;
        }
        let taken = std::mem::take(&mut self.rest);
        let header = (self.order.u16_at(taken, 0), self.order.u16_at(taken, 2));
        let (Some(code), Some(length)) = header else {
            self.broken = true;
            return None;
        };
        if code == option::END {
            return None;
        }
        let length = usize::from(length);
        let Some(value) = taken.get(4..4 + length) else {
            self.broken = true;
            return None;
        };
        self.rest = taken.get(4 + padded(length)..).unwrap_or_default();
        Some((code, value))
    }
}

/// Appends one option. The caller has checked that the value's length fits 16 bits.
pub(crate) fn put(block: &mut Vec<u8>, code: u16, value: &[u8]) {
    let length = value.len().min(usize::from(u16::MAX));
    block.extend(code.to_le_bytes());
    block.extend((length as u16).to_le_bytes());
    block.extend(value.iter().take(length));
    block.resize(padded(block.len()), 0);
}

/// Appends the end mark, which closes a list that is not empty.
pub(crate) fn end(block: &mut Vec<u8>) {
    put(block, option::END, &[]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_put_is_read() {
        let mut bytes = Vec::new();
        put(&mut bytes, 2, b"can0");
        put(&mut bytes, 9, &[9]);
        put(&mut bytes, 1, b"");
        end(&mut bytes);
        bytes.extend([7; 8]);
        let mut options = Options::new(&bytes, ByteOrder::Little);
        assert_eq!(options.next(), Some((2, &b"can0"[..])));
        assert_eq!(options.next(), Some((9, &[9][..])));
        assert_eq!(options.next(), Some((1, &[][..])));
        assert_eq!(options.next(), None);
        assert!(!options.is_broken());
    }

    #[test]
    fn an_option_past_the_block_breaks_the_list() {
        let mut options = Options::new(&[0, 2, 0, 5, 1, 2, 3, 4], ByteOrder::Big);
        assert_eq!(options.next(), None);
        assert!(options.is_broken());
        assert_eq!(options.next(), None);
    }
}
