//! Running the built program.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde::de::DeserializeOwned;

/// The root of the checkout.
pub(crate) fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A file of the committed samples.
pub(crate) fn sample(name: &str) -> PathBuf {
    root().join("sample-logs").join(name)
}

/// What one run of the program gave.
pub(crate) struct Run {
    /// Exit code.
    pub(crate) code: i32,
    /// Standard output.
    pub(crate) out: String,
    /// Standard error.
    pub(crate) err: String,
}

impl Run {
    /// The one JSON object on standard output.
    pub(crate) fn json<T: DeserializeOwned>(&self) -> T {
        serde_json::from_str(&self.out)
            .unwrap_or_else(|error| panic!("{error} in {}\nstderr: {}", self.out, self.err))
    }

    /// Asserts that it was refused with one plain line, and gives the line.
    pub(crate) fn refused(&self) -> &str {
        assert_eq!(self.code, 2, "stdout: {}\nstderr: {}", self.out, self.err);
        assert_eq!(self.out, "", "nothing belongs on standard output");
        let line = self.err.trim_end_matches('\n');
        assert!(!line.contains('\n'), "more than one line: {line}");
        line.strip_prefix("slipwright: ")
            .unwrap_or_else(|| panic!("no program name: {line}"))
    }
}

/// Runs the program with these arguments.
pub(crate) fn slipwright<I>(arguments: I) -> Run
where
    I: IntoIterator,
    I::Item: AsRef<std::ffi::OsStr>,
{
    let output: Output = Command::new(env!("CARGO_BIN_EXE_slipwright"))
        .args(arguments)
        .current_dir(root())
        .output()
        .expect("the built program starts");
    Run {
        code: output.status.code().expect("it ends by itself"),
        out: String::from_utf8(output.stdout).expect("it prints UTF-8"),
        err: String::from_utf8(output.stderr).expect("it prints UTF-8"),
    }
}
