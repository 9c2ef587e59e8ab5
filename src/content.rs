//! What is in a file, as one number: the same bytes have the same, wherever they lie and whatever
//! they are called.
//!
//! All bytes are read, so no change goes unseen; the hash is as fast as memory. It guards against
//! mistakes, not against somebody who means to build two captures of one number.

use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use xxhash_rust::xxh3::{Xxh3, xxh3_128};

/// Bytes taken at once: they stay in a core's own cache.
const PART_BYTES: usize = 256 << 10;

/// Hash (XXH3, 128 bits) of a file's bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Content(u128);

impl Content {
    /// Of a file, all of it.
    ///
    /// # Errors
    /// If it cannot be read, or is no file whose bytes can be read twice, such as a pipe.
    pub(crate) fn of_file(path: &Path) -> io::Result<Self> {
        // Opening a pipe would wait for its writer.
        if !std::fs::metadata(path)?.is_file() {
            return Err(io::Error::other("not a file that can be read twice"));
        }
        let mut file = File::open(path)?;
        let mut hasher = Xxh3::new();
        let mut part = vec![0; PART_BYTES];
        loop {
            match file.read(&mut part) {
                Ok(0) => return Ok(Self(hasher.digest128())),
                Ok(count) => hasher.update(part.get(..count).unwrap_or_default()),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }
}

impl Content {
    /// As bytes, for a hash of more than the content.
    pub(crate) fn bytes(self) -> [u8; 16] {
        self.0.to_le_bytes()
    }

    /// Of bytes that are there already.
    pub(crate) fn of_bytes(bytes: &[u8]) -> Self {
        Self(xxh3_128(bytes))
    }
}

impl fmt::Display for Content {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:032x}", self.0)
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn every_byte_counts() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        let of = |bytes: &[u8]| {
            fs::write(&path, bytes).unwrap();
            Content::of_file(&path).unwrap()
        };
        let long = vec![7; 3 * PART_BYTES + 5];
        let mut all = vec![of(b""), of(b"a"), of(&long), of(&long[1..])];
        for at in [0, PART_BYTES, long.len() - 1] {
            let mut other = long.clone();
            other[at] = 8;
            all.push(of(&other));
        }
        for (index, a) in all.iter().enumerate() {
            assert!(all[..index].iter().all(|b| a != b), "{index}");
        }
        assert_eq!(of(&long), all[2]);
        assert!(Content::of_file(folder.path()).is_err());
        assert!(Content::of_file(&folder.path().join("absent")).is_err());
    }

    /// From the test vectors of the algorithm's own repository: 128 bits of no bytes, seed 0.
    #[test]
    fn the_hash_is_the_published_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("empty");
        fs::write(&path, b"").unwrap();
        let empty = Content::of_file(&path).unwrap().to_string();
        assert_eq!(empty, "99aa06d3014798d86001c324468d497f");
    }
}
