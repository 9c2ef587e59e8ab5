//! Reading and writing decoder files: what reads and warns, and what is written, from the documented
//! file and from files drawn at random.

mod reading;
mod warnings;
mod writing;

use super::{DecoderFile, Parsed};

fn parse(text: &str) -> Parsed {
    DecoderFile::parse(text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// The example of the module's text, so that it stays one that can be read.
fn documented() -> String {
    let source = include_str!("../decoder_file.rs");
    let lines = source
        .lines()
        .map(|line| line.strip_prefix("//! ").unwrap_or_default());
    let lines = lines.skip_while(|line| *line != "```toml").skip(1);
    lines
        .take_while(|line| *line != "```")
        .map(|line| format!("{line}\n"))
        .collect()
}
