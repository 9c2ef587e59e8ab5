//! What a Parquet file claims of itself, looked at before the table library believes it: that makes room
//! for as many rows and list elements as are claimed, so that a kilobyte could ask for terabytes.
//!
//! Footer and page headers are structures in the compact protocol of Apache Thrift (Thrift compact protocol
//! encoding); which field is what stands in the Apache Parquet format's parquet.thrift.

/// First and last bytes of a file.
const MAGIC: &[u8] = b"PAR1";
/// The footer's length and the magic behind it.
const TAIL_BYTES: usize = 8;
/// No structure of the format is nested deeper.
const DEEPEST: usize = 16;
/// A file may hold so many rows, and so many more a byte: rows that differ take half a bit each, or more.
const ROWS_ANYHOW: i64 = 1 << 16;
const ROWS_PER_BYTE: i64 = 16;
/// Most bytes of a page that a row takes before compression.
const BYTES_PER_ROW: i64 = 16;

/// Whether every list, text, row count and page is one that the file may hold, by its length.
pub(crate) fn are_plausible(file: &[u8]) -> bool {
    check(file).is_some()
}

/// A column's part of a row group.
#[derive(Default)]
struct Chunk {
    compressed: i64,
    data_at: i64,
    dictionary_at: Option<i64>,
}

fn check(file: &[u8]) -> Option<()> {
    let (body, tail) = file.split_at_checked(file.len().checked_sub(TAIL_BYTES)?)?;
    let (length, magic) = tail.split_first_chunk()?;
    let length = u32::from_le_bytes(*length) as usize;
    let footer = body.get(body.len().checked_sub(length)?..)?;
    if magic != MAGIC || !file.starts_with(MAGIC) {
        return None;
    }
    let most_rows = ROWS_ANYHOW + ROWS_PER_BYTE * i64::try_from(file.len()).ok()?;
    let rows = |n: i64| (0..=most_rows).contains(&n);
    let mut chunks: Vec<Chunk> = Vec::new();
    let mut of_groups = 0_i64;
    Reader(footer).structure(&mut Vec::new(), &mut |path, found| {
        match (path, found, chunks.last_mut()) {
            (_, Found::Field(kind), _) => return of_footer(path).is_none_or(|k| k.is(kind)),
            (_, Found::Elements(kind), _) => return elements(path).is_none_or(|k| k.is(kind)),
            ([4, 1, 3], Found::Structure, _) => chunks.push(Chunk::default()),
            ([3] | [4, 1, 3, 5], Found::Number(number), _) => return rows(number),
            ([4, 3], Found::Number(number), _) => {
                of_groups = of_groups.saturating_add(number);
                return rows(number) && rows(of_groups);
            }
            ([4, 1, 3, 7], Found::Number(number), Some(chunk)) => chunk.compressed = number,
            ([4, 1, 3, 9], Found::Number(number), Some(chunk)) => chunk.data_at = number,
            ([4, 1, 3, 11], Found::Number(number), Some(chunk)) => {
                chunk.dictionary_at = Some(number);
            }
            _ => {}
        }
        true
    })?;
    let most_bytes = BYTES_PER_ROW * most_rows;
    for chunk in chunks {
        let start = usize::try_from(chunk.dictionary_at.unwrap_or(chunk.data_at)).ok()?;
        let length = usize::try_from(chunk.compressed).ok()?;
        let mut pages = Reader(body.get(start..start.checked_add(length)?)?);
        while !pages.0.is_empty() {
            let mut compressed = 0;
            pages.structure(&mut Vec::new(), &mut |path, found| {
                match (path, found) {
                    (_, Found::Field(kind)) => return of_page(path).is_none_or(|k| k.is(kind)),
                    ([2], Found::Number(bytes)) => return (0..=most_bytes).contains(&bytes),
                    ([3], Found::Number(bytes)) => compressed = bytes,
                    ([5 | 7, 1] | [8, 1..=3], Found::Number(number)) => return rows(number),
                    _ => {}
                }
                true
            })?;
            pages.take(usize::try_from(compressed).ok()?)?;
        }
    }
    Some(())
}

/// Of what kind a field is. The table library reads those that it knows without asking, and would read
/// what comes as something else.
#[derive(Clone, Copy)]
enum Kind {
    Boolean,
    Byte,
    Integer,
    Text,
    List,
    Structure,
}

impl Kind {
    /// Whether it is written as this.
    fn is(self, kind: u8) -> bool {
        match self {
            Self::Boolean => matches!(kind, 1 | 2),
            Self::Byte => kind == 3,
            Self::Integer => matches!(kind, 4..=6),
            Self::Text => kind == 8,
            Self::List => kind == 9,
            Self::Structure => kind == 12,
        }
    }
}

/// Of a field of the footer, where it matters.
fn of_footer(path: &[i16]) -> Option<Kind> {
    Some(match path {
        [1 | 3] => Kind::Integer,
        [2 | 4 | 5 | 7] => Kind::List,
        [6] | [5, 1 | 2] => Kind::Text,
        [2, 4] => Kind::Text,
        [2, 1..=9] => Kind::Integer,
        [2, 10, 10, 1] => Kind::Byte,
        [2, 10, 5, _] => Kind::Integer,
        [2, 10, 7 | 8, 1] | [2, 10, 10, 2] => Kind::Boolean,
        [2, 10] | [2, 10, _] | [2, 10, 7 | 8, 2] | [2, 10, 7 | 8, 2, _] => Kind::Structure,
        [4, 1 | 4] => Kind::List,
        [4, 2 | 3 | 5..=7] => Kind::Integer,
        [4, 4, 1] => Kind::Integer,
        [4, 4, 2 | 3] => Kind::Boolean,
        [4, 1, 1] => Kind::Text,
        [4, 1, 2 | 4..=7] => Kind::Integer,
        [4, 1, 3] => Kind::Structure,
        [4, 1, 3, 2 | 3 | 8 | 13] => Kind::List,
        [4, 1, 3, 12] => Kind::Structure,
        [4, 1, 3, 1..=15] => Kind::Integer,
        [4, 1, 3, 12, rest @ ..] => return of_statistics(rest),
        [7, _] => Kind::Structure,
        _ => return None,
    })
}

fn of_statistics(path: &[i16]) -> Option<Kind> {
    Some(match path {
        [1 | 2 | 5 | 6] => Kind::Text,
        [3 | 4] => Kind::Integer,
        [7 | 8] => Kind::Boolean,
        _ => return None,
    })
}

/// Of the elements of a list in the footer.
fn elements(path: &[i16]) -> Option<Kind> {
    Some(match path {
        [2 | 4 | 5 | 7] | [4, 1 | 4] | [4, 1, 3, 8 | 13] => Kind::Structure,
        [4, 1, 3, 2] => Kind::Integer,
        [4, 1, 3, 3] => Kind::Text,
        _ => return None,
    })
}

/// Of a field of a page's header.
fn of_page(path: &[i16]) -> Option<Kind> {
    Some(match path {
        [1..=4] => Kind::Integer,
        [5..=8] => Kind::Structure,
        [5, 5] | [8, 8] => Kind::Structure,
        [5, 5, rest @ ..] | [8, 8, rest @ ..] => return of_statistics(rest),
        [7, 3] | [8, 7] => Kind::Boolean,
        [5 | 7 | 8, _] => Kind::Integer,
        _ => return None,
    })
}

/// What stands at a path of field numbers; the elements of a list stand at the path of the list.
enum Found {
    /// A field of this kind, as the protocol numbers them.
    Field(u8),
    /// Elements of a list, of this kind.
    Elements(u8),
    /// An integer of any width.
    Number(i64),
    /// A structure begins.
    Structure,
}

/// Goes on if what was found is in order.
fn go_on_if(in_order: bool) -> Option<()> {
    in_order.then_some(())
}

/// Bytes not yet read.
struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    fn take(&mut self, length: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(taken)
    }

    fn byte(&mut self) -> Option<u8> {
        Some(self.take(1)?[0])
    }

    /// Seven bits a byte, the lowest first.
    fn varint(&mut self) -> Option<u64> {
        let mut value = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7F) << shift;
            if byte < 0x80 {
                return Some(value);
            }
        }
        None
    }

    /// A number whose sign stands in its lowest bit.
    fn signed(&mut self) -> Option<i64> {
        let value = self.varint()?;
        Some((value >> 1) as i64 ^ -((value & 1) as i64))
    }

    /// As many as are still to come, each a byte at least.
    fn count(&mut self) -> Option<usize> {
        let count = usize::try_from(self.varint()?).ok()?;
        (count <= self.0.len()).then_some(count)
    }

    fn structure(
        &mut self,
        path: &mut Vec<i16>,
        see: &mut impl FnMut(&[i16], Found) -> bool,
    ) -> Option<()> {
        if path.len() > DEEPEST {
            return None;
        }
        go_on_if(see(path, Found::Structure))?;
        let mut field = 0_i16;
        loop {
            let head = self.byte()?;
            if head == 0 {
                return Some(());
            }
            field = match head >> 4 {
                0 => i16::try_from(self.signed()?).ok()?,
                more => field.checked_add(i16::from(more))?,
            };
            path.push(field);
            go_on_if(see(path, Found::Field(head & 0x0F)))?;
            // Of a field that is true or false the kind is the value.
            if !matches!(head & 0x0F, 1 | 2) {
                self.value(head & 0x0F, path, see)?;
            }
            path.pop();
        }
    }

    fn value(
        &mut self,
        kind: u8,
        path: &mut Vec<i16>,
        see: &mut impl FnMut(&[i16], Found) -> bool,
    ) -> Option<()> {
        match kind {
            1..=3 => go_on_if(see(path, Found::Number(i64::from(self.byte()? as i8))))?,
            4..=6 => go_on_if(see(path, Found::Number(self.signed()?)))?,
            7 => drop(self.take(8)?),
            8 => {
                let length = self.count()?;
                self.take(length)?;
            }
            9 | 10 => {
                let head = self.byte()?;
                let count = match head >> 4 {
                    15 => self.count()?,
                    few => usize::from(few),
                };
                if count > 0 {
                    go_on_if(see(path, Found::Elements(head & 0x0F)))?;
                }
                for _ in 0..count {
                    self.element(head & 0x0F, path, see)?;
                }
            }
            11 => {
                let count = self.count()?;
                let kinds = if count > 0 { self.byte()? } else { 0 };
                for _ in 0..count {
                    self.element(kinds >> 4, path, see)?;
                    self.element(kinds & 0x0F, path, see)?;
                }
            }
            12 => self.structure(path, see)?,
            13 => drop(self.take(16)?),
            _ => return None,
        }
        Some(())
    }

    /// Lists within lists are nested as structures are.
    fn element(
        &mut self,
        kind: u8,
        path: &mut Vec<i16>,
        see: &mut impl FnMut(&[i16], Found) -> bool,
    ) -> Option<()> {
        if !matches!(kind, 9..=11) {
            return self.value(kind, path, see);
        }
        if path.len() > DEEPEST {
            return None;
        }
        path.push(0);
        self.value(kind, path, see)?;
        path.pop();
        Some(())
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// As the table library wrote it: a reference speed, and a file of signals.
    fn whole() -> [Vec<u8>; 2] {
        ["p", "s"].map(|kind| {
            let inputs = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/tables/inputs");
            let bytes = std::fs::read(inputs.join(format!("whole-{kind}"))).unwrap();
            bytes[1..].to_vec()
        })
    }

    #[test]
    fn a_whole_file_is_plausible_and_no_part_of_one_is() {
        for file in whole() {
            assert!(are_plausible(&file));
            for length in 0..file.len() {
                assert!(!are_plausible(&file[..length]), "{length} bytes");
            }
        }
    }

    /// A structure with one field of the footer, between what stands at either end of a file.
    fn footer(field: &[u8]) -> Vec<u8> {
        let footer = [field, &[0]].concat();
        let length = (footer.len() as u32).to_le_bytes();
        [MAGIC, &footer, &length, MAGIC].concat()
    }

    #[test]
    fn claims_beyond_the_file_are_told() {
        // Field 3, an integer of 64 bits: 1,000 rows, -1 row, 2^40 rows.
        assert!(are_plausible(&footer(&[0x36, 0xD0, 0x0F])));
        assert!(!are_plausible(&footer(&[0x36, 0x01])));
        let many = [0x36, 0x80, 0x80, 0x80, 0x80, 0x80, 0x40];
        assert!(!are_plausible(&footer(&many)));
        // Field 2, a list of structures: one empty one, and a million of which none comes.
        assert!(are_plausible(&footer(&[0x29, 0x1C, 0x00])));
        assert!(!are_plausible(&footer(&[0x29, 0xFC, 0xC0, 0x84, 0x3D])));
        // Field 2 as a number, where the list is looked for.
        assert!(!are_plausible(&footer(&[0x25, 0x02])));
    }

    #[test]
    fn any_bit_may_be_wrong() {
        for file in whole() {
            for at in 0..file.len() {
                for bit in 0..8 {
                    let mut wrong = file.clone();
                    wrong[at] ^= 1 << bit;
                    let _ = are_plausible(&wrong);
                }
            }
        }
    }

    /// Structures within structures without end.
    #[test]
    fn depth_ends_somewhere() {
        assert!(!are_plausible(&footer(&[0x1C; 5000])));
    }
}
