//! What reading a capture hands out, in file order.

use std::borrow::Cow;

use slipwright_decoders::frame::{BusIndex, Frame};

use super::interface::{Interface, Section};
use super::statistics::Statistics;

/// One thing that a capture holds. Everything borrows the reader's buffer.
#[derive(Clone, Debug, PartialEq)]
pub enum Event<'a> {
    /// A section begins. Later interfaces belong to it.
    Section(&'a Section),
    /// An interface is described; frames of this bus follow. Interfaces of other link types are
    /// told too, since they count in the numbering.
    Bus(BusIndex, &'a Interface),
    /// A frame.
    Frame(Frame<'a>),
    /// A comment; that of a packet comes right after its frame.
    Mark(Mark<'a>),
    /// What the recorder counted.
    Statistics(&'a Statistics),
}

/// A text that somebody put into the capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark<'a> {
    /// When, in nanoseconds since the epoch; `None` for comments on a section or an interface.
    pub t_ns: Option<i64>,
    /// On which bus; `None` for comments on a section.
    pub bus: Option<BusIndex>,
    /// The text; bytes that are no UTF-8 are replaced.
    pub text: Cow<'a, str>,
}
