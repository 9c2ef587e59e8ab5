//! A number inside a file that tells whether the rest of the file is whole and whose it is.
//!
//! It stands as text behind a mark, so that any format that lets a text in can carry it: the file
//! is written with zeros in its place, then the zeros are replaced.

use super::key::Key;

/// Stands before the number.
const MARK: &[u8] = b"slipwright-seal-";
/// Digits of the number, hexadecimal.
const DIGITS: usize = 32;

/// The text to be written into the file before it is sealed.
pub(super) fn empty() -> String {
    format!("{}{}", String::from_utf8_lossy(MARK), "0".repeat(DIGITS))
}

/// Seals a file that holds [`empty`] once; `None` if it does not.
pub(super) fn close(mut bytes: Vec<u8>, key: Key) -> Option<Vec<u8>> {
    let seal = format!("{:032x}", key.seal(&bytes));
    place(&mut bytes)?.copy_from_slice(seal.as_bytes());
    Some(bytes)
}

/// Whether a file is as it was sealed with this key. Its seal is emptied on the way.
pub(super) fn holds(bytes: &mut [u8], key: Key) -> bool {
    let Some(place) = place(bytes) else {
        return false;
    };
    let mut found = [0; DIGITS];
    found.copy_from_slice(place);
    place.fill(b'0');
    found.as_slice() == format!("{:032x}", key.seal(bytes)).as_bytes()
}

/// Where the number is: behind the last mark.
fn place(bytes: &mut [u8]) -> Option<&mut [u8]> {
    let at = bytes.windows(MARK.len()).rposition(|w| w == MARK)? + MARK.len();
    bytes.get_mut(at..at + DIGITS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_change_breaks_a_seal() {
        let (key, other) = (Key(1), Key(2));
        let bytes = [b"front ".to_vec(), empty().into_bytes(), b" back".to_vec()].concat();
        let sealed = close(bytes, key).unwrap();
        assert!(holds(&mut sealed.clone(), key));
        assert!(!holds(&mut sealed.clone(), other));
        for at in 0..sealed.len() {
            let mut changed = sealed.clone();
            changed[at] ^= 1;
            assert!(!holds(&mut changed, key), "byte {at}");
            assert!(!holds(&mut sealed[..at].to_vec(), key), "cut at {at}");
        }
        assert_eq!(close(b"no mark".to_vec(), key), None);
    }
}
