//! What a kept file belongs to.

use std::sync::OnceLock;
use std::time::SystemTime;

use xxhash_rust::xxh3::Xxh3;

use crate::car::{Car, Decoder};
use crate::content::Content;

/// Changes whenever the layout of a kept file does.
const FORMAT: &str = "slipwright kept 1";

/// Everything that what is kept depends on, as one number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Key(pub(super) u128);

impl Key {
    /// Of a capture's signals.
    pub(super) fn of_signals(content: Content, decoder: &Decoder) -> Self {
        Self::of(&[b"signals", &content.bytes(), &decoder.digest()])
    }

    /// Of what was measured of a capture.
    pub(super) fn of_measures(content: Content, car: &Car) -> Self {
        let decoder = car.decoder.digest();
        Self::of(&[b"measures", &content.bytes(), &decoder, &car.digest()])
    }

    fn of(parts: &[&[u8]]) -> Self {
        let mut hasher = Xxh3::new();
        hasher.update(FORMAT.as_bytes());
        hasher.update(program());
        for part in parts {
            hasher.update(&(part.len() as u64).to_le_bytes());
            hasher.update(part);
        }
        Self(hasher.digest128())
    }

    /// The number by which bytes are told to be whole and to belong to this key.
    pub(super) fn seal(self, bytes: &[u8]) -> u128 {
        let mut hasher = Xxh3::new();
        hasher.update(&self.0.to_le_bytes());
        hasher.update(bytes);
        hasher.digest128()
    }
}

/// This very program. Built anew it may read or measure otherwise; and what another machine's
/// program has kept, or somebody has made up, is not ours.
fn program() -> &'static [u8] {
    static PROGRAM: OnceLock<Vec<u8>> = OnceLock::new();
    PROGRAM.get_or_init(|| {
        let mut all = env!("CARGO_PKG_VERSION").as_bytes().to_vec();
        if let Ok(file) = std::env::current_exe().and_then(std::fs::metadata) {
            all.extend(file.len().to_le_bytes());
            let made = file.modified().unwrap_or(SystemTime::UNIX_EPOCH);
            let made = made.duration_since(SystemTime::UNIX_EPOCH);
            all.extend(made.unwrap_or_default().as_nanos().to_le_bytes());
        }
        all
    })
}
