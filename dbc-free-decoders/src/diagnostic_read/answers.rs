//! What the answers in one capture brought: the signals, and what a reader of them must know.

use std::collections::BTreeMap;

use crate::signal::Signals;
use crate::uds::negative::NegativeCode;

/// What the answers in one capture brought.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Answers {
    /// The signals, in the decoder file's order.
    pub signals: Signals,
    /// How often anybody asked for what the decoder file asks for.
    pub asked: u64,
    /// How often each refusal was given, by service and code; "response pending" is none.
    pub refusals: BTreeMap<(u8, NegativeCode), u64>,
    /// Messages that broke off: a frame missing, late or out of order.
    pub broken_messages: u64,
    /// Messages longer than fields may reach, which were passed over.
    pub too_long_messages: u64,
    /// Requests whose answer seems to stand behind another's, where it cannot be told where that ends.
    pub hidden: Vec<HiddenAnswer>,
    /// Requests that nothing in the capture answers, in the decoder file's order, each by its name or
    /// by what it asks for.
    pub unanswered: Vec<String>,
}

/// An answer that seems to stand behind another one in one message, and could not be taken out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HiddenAnswer {
    /// The request, by its name or by what it asks for.
    pub request: String,
    /// The data identifier that its message begins with.
    pub behind: u16,
}

impl Answers {
    /// What a reader of the signals must know, one plain sentence each: refusals, answers that broke
    /// off, requests without any answer.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let mut warnings = self.mishaps();
        if !self.unanswered.is_empty() {
            warnings.push(format!("no answer in it to {}", self.unanswered.join(", ")));
        }
        warnings
    }

    /// What control units answered beside values, one plain sentence each.
    #[must_use]
    pub fn mishaps(&self) -> Vec<String> {
        let refusals = self.refusals.iter().map(|((service, code), n)| {
            format!(
                "a control unit refused service 0x{service:02X} {}: {code}",
                times(*n)
            )
        });
        let mut mishaps: Vec<String> = refusals.collect();
        if self.broken_messages > 0 {
            mishaps.push(format!(
                "an answer of a control unit broke off {}: a part of it is missing, late or out of order",
                times(self.broken_messages)
            ));
        }
        if self.too_long_messages > 0 {
            mishaps.push(format!(
                "an answer of a control unit was too long {} and passed over: up to 8191 data bytes are read",
                times(self.too_long_messages)
            ));
        }
        mishaps.extend(self.hidden.iter().map(|HiddenAnswer { request, behind }| {
            format!(
                "the answer to {request} seems to stand behind that to data identifier 0x{behind:04X} in one message, \
                 but not where the data of that are known to end; give each identifier its request, and in it length_bytes"
            )
        }));
        mishaps
    }
}

/// `once`, or how many times.
#[must_use]
pub fn times(n: u64) -> String {
    match n {
        1 => "once".to_owned(),
        n => format!("{n} times"),
    }
}
