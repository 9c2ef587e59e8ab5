//! Every error as one plain line: what, where, and what to do.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use slipwright_decoders::toml_error::TomlError;
use slipwright_logger::capture::CaptureError;
use slipwright_logger::system_error;

/// Why a command stopped.
#[derive(Debug)]
pub(crate) enum Failure {
    /// A file could not be read or written.
    File {
        path: PathBuf,
        doing: Doing,
        error: io::Error,
    },
    /// A capture could not be read.
    Capture(CaptureError),
    /// One of our TOML files is wrong.
    Toml { path: PathBuf, error: TomlError },
    /// Something else is wrong with a file.
    Content { path: PathBuf, message: String },
    /// Wrong use that the argument parser cannot see.
    Usage(String),
    /// Standard output would not take it.
    Printing(io::Error),
    /// A table or JSON text could not be made; a fault of this program.
    Internal(String),
}

/// What was being done with a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Doing {
    Read,
    Write,
}

impl Failure {
    pub(crate) fn reading(path: &Path) -> impl FnOnce(io::Error) -> Self + '_ {
        move |error| Self::File {
            path: path.to_owned(),
            doing: Doing::Read,
            error,
        }
    }

    pub(crate) fn writing(path: &Path) -> impl Fn(io::Error) -> Self + Copy + '_ {
        move |error| Self::File {
            path: path.to_owned(),
            doing: Doing::Write,
            error,
        }
    }

    pub(crate) fn toml(path: &Path) -> impl FnOnce(TomlError) -> Self + '_ {
        move |error| Self::Toml {
            path: path.to_owned(),
            error,
        }
    }

    pub(crate) fn content(path: &Path, message: impl Into<String>) -> Self {
        Self::Content {
            path: path.to_owned(),
            message: message.into(),
        }
    }

    pub(crate) fn is_broken_pipe(&self) -> bool {
        matches!(self, Self::Printing(error) if error.kind() == io::ErrorKind::BrokenPipe)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File { path, doing, error } => {
                write!(f, "{}: {}", path.display(), plain(error, *doing))
            }
            Self::Capture(error) => write!(f, "{error}"),
            Self::Toml { path, error } => match error.line {
                Some(line) => write!(f, "{}:{line}: {}", path.display(), error.message),
                None => write!(f, "{}: {}", path.display(), error.message),
            },
            Self::Content { path, message } => write!(f, "{}: {message}", path.display()),
            Self::Usage(message) => f.write_str(message),
            Self::Printing(error) => {
                write!(f, "standard output: {}", plain(error, Doing::Write))
            }
            Self::Internal(message) => {
                write!(
                    f,
                    "this program could not finish its own output: {message}; please report it"
                )
            }
        }
    }
}

/// An operating-system error in plain words.
fn plain(error: &io::Error, doing: Doing) -> String {
    let what = match (error.kind(), doing) {
        (io::ErrorKind::NotFound, Doing::Read) => "no such file; check the name",
        (io::ErrorKind::NotFound, Doing::Write) => "the folder is not there; make it first",
        (io::ErrorKind::PermissionDenied, Doing::Read) => {
            "not allowed to read it; check its permissions"
        }
        (io::ErrorKind::PermissionDenied, Doing::Write) => {
            "not allowed to write it; choose another place"
        }
        (io::ErrorKind::IsADirectory, Doing::Read) => "this is a folder; name a file in it",
        (io::ErrorKind::IsADirectory, Doing::Write) => {
            "a folder of this name is in the way; choose another name"
        }
        (io::ErrorKind::NotADirectory, _) => {
            "part of this path is a file, not a folder; check the path"
        }
        (io::ErrorKind::AlreadyExists, _) => {
            "a file of this name is in the way; choose another name"
        }
        (io::ErrorKind::StorageFull, _) => "the disk is full; free some space and run it again",
        (io::ErrorKind::ReadOnlyFilesystem, _) => "the disk is read-only; choose another place",
        _ => {
            let text = system_error::plain(error);
            return match doing {
                Doing::Read => format!("cannot be read: {text}"),
                Doing::Write => format!("cannot be written: {text}"),
            };
        }
    };
    what.to_owned()
}
