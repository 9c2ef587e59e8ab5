//! A file as bytes in memory.
//!
//! Mapping is `unsafe`, and is done because it pays: a capture in the page cache is read 1.6
//! times as fast as through a buffer, nearly as fast as from memory (the example `read_speed`
//! shows it on any machine).
#![allow(unsafe_code)]

use std::fs::File;
use std::io;
use std::ops::Range;

use memmap2::Mmap;

/// A mapped file.
pub(crate) struct Map(Mmap);

impl Map {
    /// Maps a whole file as long as it is now.
    pub(crate) fn new(file: &File) -> io::Result<Self> {
        // SAFETY: the bytes may change below us only if another program writes into the file's
        // present part. Captures are written by appending, so that no byte changes once it is
        // there; and reading treats every byte as untrusted, with all positions checked. A file
        // that is made shorter while mapped ends the program with a bus error; `prepare` asks the
        // system for the pages beforehand, and so turns nearly all such cases into an error.
        let map = unsafe { Mmap::map(file)? };
        // Advice that the system does not take changes nothing.
        #[cfg(unix)]
        let _ = map.advise(memmap2::Advice::Sequential);
        Ok(Self(map))
    }

    pub(crate) fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// Brings a part of the file into memory: one call instead of a page fault every few pages,
    /// and a disk error comes as an error instead of a signal.
    pub(crate) fn prepare(&self, part: Range<usize>) -> io::Result<()> {
        #[cfg(target_os = "linux")]
        {
            const EFAULT: i32 = 14;
            const EHWPOISON: i32 = 133;
            let populate = memmap2::Advice::PopulateRead;
            match self.0.advise_range(populate, part.start, part.len()) {
                Err(error) if matches!(error.raw_os_error(), Some(EFAULT | EHWPOISON)) => {
                    return Err(io::Error::other(
                        "the disk gives an error, or the file was cut while it was read",
                    ));
                }
                // Linux before 5.14 does not know it; then pages come one by one.
                _ => {}
            }
        }
        #[cfg(not(target_os = "linux"))]
        let _ = part;
        Ok(())
    }
}
