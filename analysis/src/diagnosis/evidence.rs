//! What speaks for and against a cause: one piece of evidence, and on which side it stands.

use std::fmt;

/// On which side of a cause a piece of evidence stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Speaks {
    /// The cause moves it so, and it has moved.
    For,
    /// The cause moves it, and it has not moved, or the other way.
    Against,
    /// It has moved, and the cause moves it nowhere.
    Unexplained,
    /// Neither for nor against.
    Neither,
}

/// A piece of evidence. Its text is a clause without a full stop; shown, it says its side first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Evidence {
    /// On which side it stands.
    pub side: Speaks,
    /// What was seen, with numbers.
    pub text: String,
}

impl Evidence {
    pub(crate) fn new(side: Speaks, text: impl Into<String>) -> Self {
        Self {
            side,
            text: text.into(),
        }
    }
}

impl fmt::Display for Evidence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let side = match self.side {
            Speaks::For => "for: ",
            Speaks::Against => "against: ",
            Speaks::Unexplained => "not explained by it: ",
            Speaks::Neither => "",
        };
        write!(f, "{side}{}", self.text)
    }
}
