//! The asking half of a diagnostic read: its message, where that and the flow control for its answer
//! go, and what of the answer are its data.

use std::fmt;

use crate::decoder_file::{DiagnosticRead, RequestEntry};
use crate::frame::CanId;
use crate::obd2::{self, addressing::ControlUnit};
use crate::uds::{self, AnswerFault, positive_answer};

impl DiagnosticRead {
    /// The service that it uses.
    #[must_use]
    pub fn service(self) -> u8 {
        match self {
            Self::Parameter { service, .. } => service,
            Self::DataIdentifier(_) => uds::READ_DATA_BY_IDENTIFIER,
        }
    }

    /// The request's message.
    #[must_use]
    pub fn message(self) -> Vec<u8> {
        match self {
            Self::Parameter { service, pid } => vec![service, pid],
            Self::DataIdentifier(identifier) => uds::read_data_request(&[identifier]),
        }
    }

    /// The data in an answer, after the echoed parameter number or data identifier.
    ///
    /// In an answer of service 01 with several parameters, what follows the first one's data is
    /// given too: fields say which bits they mean.
    ///
    /// # Errors
    /// When the message is a refusal or answers something else.
    pub fn answer_data(self, message: &[u8]) -> Result<&[u8], AnswerFault> {
        match self {
            Self::Parameter {
                service: obd2::CURRENT_DATA,
                pid,
            } => obd2::parameter_data(pid, message),
            Self::Parameter { service, pid } => match positive_answer(service, message)? {
                [found, data @ ..] if *found == pid => Ok(data),
                _ => Err(AnswerFault::Unrelated { service }),
            },
            Self::DataIdentifier(identifier) => uds::read_data_answer(identifier, message),
        }
    }
}

impl fmt::Display for DiagnosticRead {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Parameter { service, pid } => {
                write!(f, "parameter 0x{pid:02X} of service 0x{service:02X}")
            }
            Self::DataIdentifier(identifier) => write!(f, "data identifier 0x{identifier:04X}"),
        }
    }
}

impl RequestEntry {
    /// Where the flow control for a longer answer goes: to the unit that answers, also where the
    /// request went to all (ISO 15765-4).
    #[must_use]
    pub fn flow_control_id(&self) -> CanId {
        self.flow_control_to(self.response_id)
    }

    /// The same for an answer of this identifier, which to a request to all any unit may give.
    #[must_use]
    pub fn flow_control_to(&self, answer_id: CanId) -> CanId {
        match ControlUnit::from_answer(answer_id) {
            Some(unit) if self.asks_all() => unit.request_id(),
            _ => self.request_id,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decoder_file::DecoderFile;

    const FILE: &str = r#"
        [decoder]
        name = "test"

        [[request]]
        pid = 0x0C

          [[request.signal]]
          role = "engine.speed"
          start = 0
          length = 16
          order = "big"
          scale = 0.25
          unit = "rpm"

        [[request]]
        did = 0x2001
        request_id = 0x712
        response_id = 0x77C

          [[request.signal]]
          name = "state"
          start = 0
          length = 8
          order = "big"
    "#;

    /// SAE J1979 and ISO 14229-1 request forms; ISO 15765-4 addresses.
    #[test]
    fn requests_and_where_flow_control_goes() {
        let file = DecoderFile::parse(FILE).unwrap().file;
        let messages: Vec<_> = file.requests.iter().map(|r| r.read.message()).collect();
        assert_eq!(messages, [vec![0x01, 0x0C], vec![0x22, 0x20, 0x01]]);
        let ids: Vec<_> = file
            .requests
            .iter()
            .map(RequestEntry::flow_control_id)
            .collect();
        assert_eq!(ids, [0x7E0, 0x712].map(CanId::Base));
        // To all, and another unit than the engine's answers.
        let other = file.requests[0].flow_control_to(CanId::Base(0x7EA));
        assert_eq!(other, CanId::Base(0x7E2));
        let texts: Vec<String> = file.requests.iter().map(|r| r.read.to_string()).collect();
        assert_eq!(
            texts,
            ["parameter 0x0C of service 0x01", "data identifier 0x2001"]
        );
        let name = DiagnosticRead::Parameter {
            service: 0x09,
            pid: 0x02,
        };
        assert_eq!(
            name.answer_data(&[0x49, 0x02, 0x01, 0x41]),
            Ok(&[0x01, 0x41][..])
        );
        let unrelated = Err(AnswerFault::Unrelated { service: 0x09 });
        assert_eq!(name.answer_data(&[0x49, 0x04, 0x01]), unrelated);
    }
}
