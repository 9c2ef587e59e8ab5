//! One request until its answer: which messages belong to it, and how long to wait
//! (ISO 14229-2, session layer timing).
//!
//! The caller sends the request, hands in what the control unit sends, and the time.

use super::negative::NegativeAnswer;
use super::{POSITIVE_ANSWER_OFFSET, READ_DATA_BY_IDENTIFIER, READ_DTC_INFORMATION};

/// Time limits of an exchange.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ExchangeLimits {
    /// From the request to the start of the answer, ns (P2).
    pub answer_ns: i64,
    /// From "response pending" to the start of the answer, ns (P2*).
    pub pending_ns: i64,
    /// Most "response pending" in a row before the exchange is given up.
    pub max_pending: u32,
}

impl Default for ExchangeLimits {
    /// 150 ms: the 50 ms that ISO 14229-2 gives the control unit, and as much again twice for
    /// gateways (common practice, no source); 5000 ms after "response pending" (ISO 14229-2;
    /// both times from memory).
    fn default() -> Self {
        Self {
            answer_ns: 150_000_000,
            pending_ns: 5_000_000_000,
            max_pending: 10,
        }
    }
}

/// What a message, or the passing of time, means to an exchange.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The message belongs to something else, or nothing is due yet.
    Waiting,
    /// The message is the positive answer.
    Answered,
    /// The control unit refused.
    Refused(NegativeAnswer),
    /// No answer came in time.
    Silent,
    /// The control unit asked for more time too often.
    AlwaysPending,
}

/// One request on its way.
#[derive(Clone, Debug)]
pub struct Exchange {
    /// How the positive answer begins.
    expected: Vec<u8>,
    service: u8,
    limits: ExchangeLimits,
    /// `None` while the answer's frames come in, and after the end.
    deadline_ns: Option<i64>,
    pending: u32,
    ended: bool,
}

impl Exchange {
    /// The exchange of a request sent at `t_ns`; `None` for an empty request.
    #[must_use]
    pub fn new(request: &[u8], t_ns: i64, limits: ExchangeLimits) -> Option<Self> {
        let (&service, content) = request.split_first()?;
        // A request for several values at once says nothing about which answer comes first.
        let echoed = match (service, content.len()) {
            (READ_DATA_BY_IDENTIFIER, 2) => 2,
            (READ_DTC_INFORMATION, _) | (0x01, 1) => 1,
            _ => 0,
        };
        let mut expected = vec![service.checked_add(POSITIVE_ANSWER_OFFSET)?];
        expected.extend(content.iter().take(echoed));
        let deadline_ns = Some(t_ns.saturating_add(limits.answer_ns));
        Some(Self {
            expected,
            service,
            limits,
            deadline_ns,
            pending: 0,
            ended: false,
        })
    }

    /// Says that the first frame of a longer message came: from now on the reassembly's own time
    /// limit counts. A message that then breaks off ends the exchange; that is the caller's to see.
    pub fn answer_began(&mut self) {
        self.deadline_ns = None;
    }

    /// Takes a whole message that the control unit sent at `t_ns`.
    pub fn on_message(&mut self, t_ns: i64, message: &[u8]) -> Outcome {
        if self.ended {
            return Outcome::Waiting;
        }
        if message.starts_with(&self.expected) {
            return self.end(Outcome::Answered);
        }
        let negative = NegativeAnswer::read(message).filter(|n| n.service == self.service);
        match negative {
            Some(negative) if !negative.code.is_pending() => self.end(Outcome::Refused(negative)),
            Some(_) if self.pending >= self.limits.max_pending => self.end(Outcome::AlwaysPending),
            Some(_) => {
                self.pending += 1;
                self.deadline_ns = Some(t_ns.saturating_add(self.limits.pending_ns));
                Outcome::Waiting
            }
            None => {
                // The longer message that began was another one: the wait for ours goes on.
                let limit_ns = t_ns.saturating_add(self.limits.answer_ns);
                self.deadline_ns.get_or_insert(limit_ns);
                Outcome::Waiting
            }
        }
    }

    /// Lets time pass.
    pub fn on_time(&mut self, t_ns: i64) -> Outcome {
        match self.deadline_ns {
            Some(deadline_ns) if t_ns > deadline_ns && !self.ended => self.end(Outcome::Silent),
            _ => Outcome::Waiting,
        }
    }

    /// When [`Self::on_time`] should be called at the latest, ns.
    #[must_use]
    pub fn deadline_ns(&self) -> Option<i64> {
        self.deadline_ns
    }

    fn end(&mut self, outcome: Outcome) -> Outcome {
        self.ended = true;
        self.deadline_ns = None;
        outcome
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uds::negative::NegativeCode;

    const MS: i64 = 1_000_000;

    fn exchange(request: &[u8]) -> Exchange {
        Exchange::new(request, 0, ExchangeLimits::default()).unwrap()
    }

    #[test]
    fn only_the_answer_asked_for_counts() {
        let check = |request: &[u8], message: &[u8], outcome: Outcome| {
            assert_eq!(
                exchange(request).on_message(0, message),
                outcome,
                "{message:02X?}"
            );
        };
        check(
            &[0x22, 0xF1, 0x90],
            &[0x62, 0xF1, 0x90, 1],
            Outcome::Answered,
        );
        check(
            &[0x22, 0xF1, 0x90],
            &[0x62, 0xF1, 0x91, 1],
            Outcome::Waiting,
        );
        check(
            &[0x22, 0xF1, 0x90, 0xF1, 0x91],
            &[0x62, 0xF1, 0x91, 1],
            Outcome::Answered,
        );
        check(&[0x01, 0x0C], &[0x41, 0x0C, 0x1A, 0xF8], Outcome::Answered);
        check(&[0x01, 0x0C], &[0x41, 0x0D, 0x32], Outcome::Waiting);
        check(&[0x19, 0x02, 0x09], &[0x59, 0x02, 0xFB], Outcome::Answered);
        check(&[0x19, 0x02, 0x09], &[0x59, 0x01, 0xFB], Outcome::Waiting);
        check(&[0x03], &[0x43, 0x00], Outcome::Answered);
        check(&[0x01, 0x0C], &[0x7F, 0x02, 0x11], Outcome::Waiting);
        let refusal = NegativeAnswer {
            service: 0x01,
            code: NegativeCode(0x12),
        };
        check(
            &[0x01, 0x0C],
            &[0x7F, 0x01, 0x12],
            Outcome::Refused(refusal),
        );
        assert!(Exchange::new(&[], 0, ExchangeLimits::default()).is_none());
    }

    #[test]
    fn silence_ends_it_once() {
        let mut exchange = exchange(&[0x01, 0x0C]);
        assert_eq!(exchange.deadline_ns(), Some(150 * MS));
        assert_eq!(exchange.on_time(150 * MS), Outcome::Waiting);
        assert_eq!(exchange.on_time(151 * MS), Outcome::Silent);
        assert_eq!(exchange.on_time(152 * MS), Outcome::Waiting);
        assert_eq!(
            exchange.on_message(152 * MS, &[0x41, 0x0C, 0, 0]),
            Outcome::Waiting
        );
    }

    #[test]
    fn response_pending_prolongs_it_up_to_a_limit() {
        let mut exchange = exchange(&[0x22, 0xF1, 0x90]);
        for n in 0..10 {
            assert_eq!(
                exchange.on_message(n * 1000 * MS, &[0x7F, 0x22, 0x78]),
                Outcome::Waiting
            );
            assert_eq!(exchange.deadline_ns(), Some((n * 1000 + 5000) * MS));
        }
        let eleventh = exchange.on_message(10_000 * MS, &[0x7F, 0x22, 0x78]);
        assert_eq!(eleventh, Outcome::AlwaysPending);
        assert_eq!(exchange.deadline_ns(), None);
    }

    #[test]
    fn a_long_answer_stops_the_time() {
        let mut exchange = exchange(&[0x22, 0xF1, 0x90]);
        exchange.answer_began();
        assert_eq!(exchange.on_time(i64::MAX), Outcome::Waiting);
        assert_eq!(
            exchange.on_message(900 * MS, &[0x62, 0x10, 0x00]),
            Outcome::Waiting
        );
        assert_eq!(
            exchange.deadline_ns(),
            Some(1050 * MS),
            "a long message of something else"
        );
        assert_eq!(
            exchange.on_message(950 * MS, &[0x62, 0xF1, 0x90]),
            Outcome::Answered
        );
    }
}
