//! What was measured of a drive as bytes: MessagePack, in which every number comes back to the last
//! bit. First all but the traces, then the traces, each with its length and seal before both, so
//! that who needs no traces reads none.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use slipwright_analysis::measures::{DriveMeasures, Trace};

use super::key::Key;
use super::{Traces, is_plain_file};

/// First bytes of the file.
const MAGIC: [u8; 8] = *b"slipwr\x00\x01";
/// A length and a seal.
const PART_HEAD: usize = 8 + 16;
const HEAD: usize = MAGIC.len() + 2 * PART_HEAD;

/// The file's bytes; `None` if they cannot be made.
pub(super) fn write(drive: &DriveMeasures, key: Key) -> Option<Vec<u8>> {
    let traces: Vec<&Trace> = drive.engagements.iter().map(|e| &e.trace).collect();
    let parts = [
        rmp_serde::to_vec(drive).ok()?,
        rmp_serde::to_vec(&traces).ok()?,
    ];
    Some(sealed(&parts, key))
}

/// The parts behind their lengths and seals.
pub(super) fn sealed(parts: &[Vec<u8>; 2], key: Key) -> Vec<u8> {
    let mut bytes = MAGIC.to_vec();
    for part in parts {
        bytes.extend((part.len() as u64).to_le_bytes());
        bytes.extend(key.seal(part).to_le_bytes());
    }
    [bytes, parts.concat()].concat()
}

/// What a file holds, if it is whole and belongs to the key.
pub(super) fn read(path: &Path, key: Key, traces: Traces) -> Option<DriveMeasures> {
    if !is_plain_file(path) {
        return None;
    }
    let mut file = File::open(path).ok()?;
    let mut head = [0; HEAD];
    file.read_exact(&mut head).ok()?;
    let mut parts = head.strip_prefix(&MAGIC)?.chunks_exact(PART_HEAD);
    let drive: DriveMeasures = part(&mut file, parts.next()?, key)?;
    if traces == Traces::Spared {
        return Some(drive);
    }
    let traces: Vec<Trace> = part(&mut file, parts.next()?, key)?;
    if traces.len() != drive.engagements.len() {
        return None;
    }
    let engagements = drive.engagements.into_iter().zip(traces);
    Some(DriveMeasures {
        engagements: engagements
            .map(|(mut engagement, trace)| {
                engagement.trace = trace;
                engagement
            })
            .collect(),
        ..drive
    })
}

fn part<T: serde::de::DeserializeOwned>(file: &mut File, head: &[u8], key: Key) -> Option<T> {
    let (length, seal) = head.split_first_chunk()?;
    let seal = u128::from_le_bytes(seal.try_into().ok()?);
    let mut bytes = Vec::new();
    // Memory grows with what really comes, whatever length is claimed.
    let length = u64::from_le_bytes(*length);
    file.take(length).read_to_end(&mut bytes).ok()?;
    if bytes.len() as u64 != length || key.seal(&bytes) != seal {
        return None;
    }
    rmp_serde::from_slice(&bytes).ok()
}
