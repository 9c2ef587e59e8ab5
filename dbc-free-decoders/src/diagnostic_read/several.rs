//! An answer that carries several data identifiers, taken apart (ISO 14229-1, ReadDataByIdentifier).
//!
//! Identifier and data follow each other, and nothing in the answer says where the data of one end.
//! An answer is therefore taken apart in two cases only:
//!
//! - the decoder file states the length of all but the last (`length_bytes`);
//! - its request was seen, it carries the identifiers in the order asked, and it is no longer than
//!   what the described signals need. As the data of none can be shorter, each then has its length.
//!
//! In any other, what follows the first identifier is given as its data, and an identifier that seems
//! to stand in them is told.

use std::collections::BTreeMap;

/// What the decoder file says of how many bytes the data of an identifier have.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct DataLength {
    /// As stated.
    pub(super) stated: Option<usize>,
    /// What the signals need.
    pub(super) least: usize,
}

/// By data identifier: those that one control unit may give.
pub(super) type DataLengths = BTreeMap<u16, DataLength>;

/// An answer's identifiers with their data.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct TakenApart<'m> {
    /// In the order sent.
    pub(super) parts: Vec<(u16, &'m [u8])>,
    /// What no part was made of, or of which it is not known that it is all of the last part.
    undivided: &'m [u8],
}

/// Takes apart what follows the first byte of an answer. `asked` are the identifiers of the request
/// that it answers; none if that was not seen.
pub(super) fn take_apart<'m>(
    content: &'m [u8],
    lengths: &DataLengths,
    asked: &[u16],
) -> TakenApart<'m> {
    by_request(content, lengths, asked).unwrap_or_else(|| by_stated(content, lengths))
}

/// The identifiers asked for, if the content is exactly as long as they need.
fn by_request<'m>(
    content: &'m [u8],
    lengths: &DataLengths,
    asked: &[u16],
) -> Option<TakenApart<'m>> {
    let (mut parts, mut rest) = (Vec::new(), content);
    for &identifier in asked {
        let length = lengths.get(&identifier)?;
        let (found, data) = split_identifier(rest)?;
        let (own, after) = data.split_at_checked(length.stated.unwrap_or(length.least))?;
        if found != identifier {
            return None;
        }
        parts.push((identifier, own));
        rest = after;
    }
    (rest.is_empty() && !parts.is_empty()).then_some(TakenApart {
        parts,
        undivided: &[],
    })
}

fn by_stated<'m>(content: &'m [u8], lengths: &DataLengths) -> TakenApart<'m> {
    let (mut parts, mut rest) = (Vec::new(), content);
    while let Some((identifier, data)) = split_identifier(rest) {
        let length = lengths.get(&identifier).copied();
        if length.is_none() && !parts.is_empty() {
            break;
        }
        let stated = length.and_then(|length| length.stated);
        match stated.and_then(|stated| data.split_at_checked(stated)) {
            Some((own, after)) => {
                parts.push((identifier, own));
                rest = after;
            }
            None => {
                parts.push((identifier, data));
                let own = length.map_or(0, |length| length.least);
                rest = data.get(own..).unwrap_or_default();
                break;
            }
        }
    }
    TakenApart {
        parts,
        undivided: rest,
    }
}

fn split_identifier(content: &[u8]) -> Option<(u16, &[u8])> {
    let (identifier, data) = content.split_first_chunk()?;
    Some((u16::from_be_bytes(*identifier), data))
}

impl TakenApart<'_> {
    /// The described identifiers that seem to stand where nothing could be taken apart.
    pub(super) fn hidden(&self, lengths: &DataLengths) -> Vec<u16> {
        let is_part = |identifier| self.parts.iter().any(|(part, _)| *part == identifier);
        let stands = |identifier: u16| {
            let bytes = identifier.to_be_bytes();
            self.undivided.windows(2).any(|window| window == bytes)
        };
        let described = lengths.keys().copied();
        described
            .filter(|&identifier| !is_part(identifier) && stands(identifier))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lengths(of: &[(u16, Option<usize>, usize)]) -> DataLengths {
        of.iter()
            .map(|&(identifier, stated, least)| (identifier, DataLength { stated, least }))
            .collect()
    }

    const BOTH: [u8; 7] = [0xF1, 0x23, 1, 2, 0xF1, 0x24, 3];

    /// ISO 14229-1, ReadDataByIdentifier: 62, identifier, data, identifier, data.
    #[test]
    fn an_answer_as_long_as_the_signals_is_divided_by_its_request() {
        let known = lengths(&[(0xF123, None, 2), (0xF124, None, 1)]);
        let whole = take_apart(&BOTH, &known, &[0xF123, 0xF124]);
        assert_eq!(whole.parts, [(0xF123, &[1, 2][..]), (0xF124, &[3])]);
        assert_eq!(whole.hidden(&known), [0; 0]);
        // Nobody asked, asked for one, or in another order: it may be all data of the first.
        for asked in [&[][..], &[0xF123], &[0xF124, 0xF123]] {
            let whole = take_apart(&BOTH, &known, asked);
            assert_eq!(whole.parts, [(0xF123, &BOTH[2..])], "{asked:04X?}");
            assert_eq!(whole.hidden(&known), [0xF124], "{asked:04X?}");
        }
        // A byte that no signal needs may belong to either.
        let longer = [&BOTH[..], &[4]].concat();
        let whole = take_apart(&longer, &known, &[0xF123, 0xF124]);
        assert_eq!(whole.parts, [(0xF123, &longer[2..])]);
        assert_eq!(whole.hidden(&known), [0xF124]);
    }

    #[test]
    fn stated_lengths_divide_an_answer_without_its_request() {
        let known = lengths(&[(0xF123, Some(2), 1), (0xF124, None, 1)]);
        let whole = take_apart(&BOTH, &known, &[]);
        assert_eq!(whole.parts, [(0xF123, &[1, 2][..]), (0xF124, &[3])]);
        // What follows is of nobody: it is not taken for anything.
        let other = [0xF1, 0x23, 1, 2, 0xF1, 0x99, 0xF1, 0x24];
        let whole = take_apart(&other, &known, &[]);
        assert_eq!(whole.parts, [(0xF123, &[1, 2][..])]);
        assert_eq!(whole.hidden(&known), [0xF124]);
        // An answer shorter than stated is whole all the same; its fields say what is missing.
        let whole = take_apart(&BOTH[..3], &known, &[]);
        assert_eq!(whole.parts, [(0xF123, &[1][..])]);
        assert_eq!(take_apart(&[0xF1], &known, &[]).parts, []);
    }
}
