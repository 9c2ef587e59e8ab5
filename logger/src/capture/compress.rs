//! zstd around a capture: of a file that is closed, or of one while it is written.
//!
//! Both give one plain zstd frame (RFC 8878) with a checksum, which any zstd tool unpacks.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Write};
use std::path::{Path, PathBuf};

use thiserror::Error;

use super::error::plain;

/// The level of zstd.
///
/// Of a real drive of one minute and 4.7 MB (98,800 frames), level 1 leaves 23.1 %, level 3
/// 21.0 %, level 9 20.1 % and level 19 17.1 %, in 0.03, 0.03, 0.19 and 7.1 s: beyond 3 there is
/// little to gain, and the next drive is being recorded meanwhile.
pub const COMPRESSION_LEVEL: i32 = 3;

/// Why a file was not compressed. It is then still there, unchanged.
#[derive(Debug, Error)]
#[error("{}: cannot be compressed: {}", path.display(), plain(source))]
pub struct CompressError {
    /// The file.
    pub path: PathBuf,
    /// What the system says.
    pub source: io::Error,
}

/// Compresses a closed file into one beside it, whose name has `.zst` appended, and removes the
/// file. Returns the new name.
///
/// At any moment one of the two is whole on the disk: the new file is written under a temporary
/// name (`.zst.part` appended), synced and renamed, and only then the old one is removed. After a
/// power cut in between, a second call finishes what the first began.
///
/// # Errors
///
/// Another file has the new name, the file changes while it is compressed, or whatever the system
/// says. The file is then still there.
pub fn compress_closed(path: impl AsRef<Path>) -> Result<PathBuf, CompressError> {
    let path = path.as_ref();
    compress(path).map_err(|source| CompressError {
        path: path.to_owned(),
        source,
    })
}

fn compress(path: &Path) -> io::Result<PathBuf> {
    let packed = with_ending(path, ".zst");
    let mut source = File::open(path)?;
    if packed.try_exists()? {
        // Perhaps the power went after the renaming, and only the removal is left to do.
        let unpacked = zstd::Decoder::new(File::open(&packed)?)?;
        if !is_same(BufReader::new(source), BufReader::new(unpacked)).unwrap_or(false) {
            let text = format!(
                "{} is there already and holds something else",
                packed.display()
            );
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, text));
        }
    } else {
        let part = with_ending(path, ".zst.part");
        let made = pack(&mut source, &part).and_then(|()| fs::rename(&part, &packed));
        if made.is_err() {
            // On a full disk it keeps the room that the next drive needs.
            let _ = fs::remove_file(&part);
        }
        made?;
    }
    sync_folder(path)?;
    fs::remove_file(path)?;
    sync_folder(path)?;
    Ok(packed)
}

fn pack(source: &mut File, part: &Path) -> io::Result<()> {
    let metadata = source.metadata()?;
    let target = File::create(part)?;
    target.set_permissions(metadata.permissions())?;
    let mut encoder = encoder(target)?;
    // Notes the size in the frame, and makes an error of a file that is still growing.
    encoder.set_pledged_src_size(Some(metadata.len()))?;
    io::copy(source, &mut encoder)?;
    encoder.finish()?.sync_all()
}

/// Whether two sources give the same bytes.
fn is_same(mut one: impl BufRead, mut other: impl BufRead) -> io::Result<bool> {
    loop {
        let (a, b) = (one.fill_buf()?, other.fill_buf()?);
        let length = a.len().min(b.len());
        if length == 0 {
            return Ok(a.is_empty() && b.is_empty());
        }
        if a.iter().zip(b).any(|(a, b)| a != b) {
            return Ok(false);
        }
        one.consume(length);
        other.consume(length);
    }
}

fn encoder<W: Write>(inner: W) -> io::Result<zstd::Encoder<'static, W>> {
    let mut encoder = zstd::Encoder::new(inner, COMPRESSION_LEVEL)?;
    encoder.include_checksum(true)?;
    Ok(encoder)
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = OsString::from(path);
    name.push(ending);
    PathBuf::from(name)
}

/// Makes a renaming in a file's folder last through a power cut.
fn sync_folder(path: &Path) -> io::Result<()> {
    // Only Unix lets a folder be opened for this.
    if cfg!(unix) {
        let folder = path
            .parent()
            .filter(|folder| !folder.as_os_str().is_empty());
        File::open(folder.unwrap_or(Path::new(".")))?.sync_all()?;
    }
    Ok(())
}

/// Compresses what is written to it. A capture that is written this way is unreadable from the
/// last flushed zstd block on if it is not finished, so record plainly and compress afterwards;
/// this is for files that are made in one go.
pub struct Compressed<W: Write>(zstd::Encoder<'static, W>);

impl<W: Write> Compressed<W> {
    /// Compresses into `inner`, at [`COMPRESSION_LEVEL`].
    ///
    /// # Errors
    ///
    /// Memory.
    pub fn new(inner: W) -> io::Result<Self> {
        encoder(inner).map(Self)
    }

    /// Ends the compressed stream and gives back what it was written to.
    ///
    /// # Errors
    ///
    /// That of the inner writer.
    pub fn finish(self) -> io::Result<W> {
        self.0.finish()
    }
}

impl<W: Write> Write for Compressed<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    /// Does nothing: ending a zstd block at every flush would cost much of the compression.
    /// [`Self::finish`] writes what is left.
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
