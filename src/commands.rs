//! One file a command.

pub(crate) mod compare;
pub(crate) mod completions;
pub(crate) mod decode;
pub(crate) mod measure;
pub(crate) mod simulate;
