//! UDS: what a control unit answers to reads by identifier and of trouble codes (ISO 14229-1).
//!
//! Takes whole messages from [`crate::iso_tp`]. Only the two services that a reader needs are
//! here; nothing that changes a control unit.
//!
//! - [`negative`]: refusals and their codes.

pub mod negative;

use crate::trouble_code::{CodeStatus, UdsTroubleCode};
use negative::NegativeAnswer;

/// Service readDataByIdentifier.
pub const READ_DATA_BY_IDENTIFIER: u8 = 0x22;
/// Service readDTCInformation.
pub const READ_DTC_INFORMATION: u8 = 0x19;
/// Its sub-function reportDTCByStatusMask.
pub const REPORT_CODES_BY_STATUS_MASK: u8 = 0x02;

/// A positive answer's first byte is the request's plus this.
pub const POSITIVE_ANSWER_OFFSET: u8 = 0x40;

/// Time within which a control unit begins its answer, ns (P2, 50 ms: ISO 14229-2 and ISO 15765-4;
/// from memory). Gateways add theirs.
pub const P2_NS: i64 = 50_000_000;
/// The same after "response pending", ns (P2*, 5 s: ISO 14229-2; from memory).
pub const P2_PENDING_NS: i64 = 5_000_000_000;

/// Why a message is not the answer that was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AnswerFault {
    /// The control unit refused, or is not ready yet.
    #[error(transparent)]
    Negative(NegativeAnswer),
    /// It answers something else.
    #[error("the message answers something else than service 0x{service:02X}")]
    Unrelated {
        /// The service asked for.
        service: u8,
    },
    /// It carries another identifier than the one asked for.
    #[error("the answer carries identifier 0x{found:04X}, which was not asked for")]
    OtherIdentifier {
        /// The identifier that it carries.
        found: u16,
    },
    /// It goes on after its content.
    #[error("the answer to service 0x{service:02X} is longer than it says")]
    Surplus {
        /// The service asked for.
        service: u8,
    },
    /// It ends before its content does.
    #[error("the answer to service 0x{service:02X} is too short")]
    TooShort {
        /// The service asked for.
        service: u8,
    },
}

/// What follows the first byte of a positive answer to `service`.
///
/// # Errors
/// When the message is a refusal or answers something else.
pub fn positive_answer(service: u8, message: &[u8]) -> Result<&[u8], AnswerFault> {
    match message {
        [first, content @ ..] if Some(*first) == service.checked_add(POSITIVE_ANSWER_OFFSET) => {
            Ok(content)
        }
        _ => match NegativeAnswer::read(message) {
            Some(negative) if negative.service == service => Err(AnswerFault::Negative(negative)),
            _ => Err(AnswerFault::Unrelated { service }),
        },
    }
}

/// A request for the data of one or more identifiers.
#[must_use]
pub fn read_data_request(identifiers: &[u16]) -> Vec<u8> {
    let mut request = vec![READ_DATA_BY_IDENTIFIER];
    request.extend(
        identifiers
            .iter()
            .flat_map(|identifier| identifier.to_be_bytes()),
    );
    request
}

/// The data of `identifier`, the only one that was asked for.
///
/// # Errors
/// When the message is not its answer.
pub fn read_data_answer(identifier: u16, message: &[u8]) -> Result<&[u8], AnswerFault> {
    let content = positive_answer(READ_DATA_BY_IDENTIFIER, message)?;
    let Some((found, data)) = content.split_first_chunk() else {
        return Err(AnswerFault::TooShort {
            service: READ_DATA_BY_IDENTIFIER,
        });
    };
    let found = u16::from_be_bytes(*found);
    if found != identifier {
        return Err(AnswerFault::OtherIdentifier { found });
    }
    Ok(data)
}

/// A request for the trouble codes whose status has any bit of `mask`.
#[must_use]
pub fn codes_request(mask: CodeStatus) -> [u8; 3] {
    [READ_DTC_INFORMATION, REPORT_CODES_BY_STATUS_MASK, mask.0]
}

/// The trouble codes of a control unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CodeList {
    /// Status bits that the control unit keeps at all (DTCStatusAvailabilityMask).
    pub availability: CodeStatus,
    /// Each code with its status, in the order sent.
    pub codes: Vec<(UdsTroubleCode, CodeStatus)>,
}

/// The answer to [`codes_request`]. All-zero bytes at the end are taken for padding.
///
/// # Errors
/// When the message is not its answer, or ends within a code.
pub fn codes_answer(message: &[u8]) -> Result<CodeList, AnswerFault> {
    let too_short = AnswerFault::TooShort {
        service: READ_DTC_INFORMATION,
    };
    let content = sub_function_answer(REPORT_CODES_BY_STATUS_MASK, message)?;
    let (availability, records) = content.split_first().ok_or(too_short)?;
    let (records, rest) = records.as_chunks::<4>();
    if rest.iter().any(|&byte| byte != 0) {
        return Err(too_short);
    }
    let kept = records
        .iter()
        .rposition(|record| *record != [0; 4])
        .map_or(0, |last| last + 1);
    let codes = records
        .iter()
        .take(kept)
        .map(|&[high, middle, low, status]| {
            (
                UdsTroubleCode::from_bytes([high, middle, low]),
                CodeStatus(status),
            )
        })
        .collect();
    Ok(CodeList {
        availability: CodeStatus(*availability),
        codes,
    })
}

fn sub_function_answer(sub_function: u8, message: &[u8]) -> Result<&[u8], AnswerFault> {
    let service = READ_DTC_INFORMATION;
    match positive_answer(service, message)? {
        [found, content @ ..] if *found == sub_function => Ok(content),
        [] => Err(AnswerFault::TooShort { service }),
        _ => Err(AnswerFault::Unrelated { service }),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Byte examples of the python-udsoncan tests (reportDTCByStatusMask).
    #[test]
    fn the_list_of_codes() {
        let numbers = |message: &[u8]| -> Result<Vec<(u32, u8)>, AnswerFault> {
            let list = codes_answer(message)?;
            assert_eq!(list.availability, CodeStatus(0xFB));
            Ok(list
                .codes
                .iter()
                .map(|(code, status)| (code.number(), status.0))
                .collect())
        };
        let two = [
            0x59, 0x02, 0xFB, 0x12, 0x34, 0x56, 0x20, 0x12, 0x34, 0x57, 0x60,
        ];
        let both = vec![(0x12_3456, 0x20), (0x12_3457, 0x60)];
        assert_eq!(codes_request(CodeStatus(0x5A)), [0x19, 0x02, 0x5A]);
        assert_eq!(numbers(&two), Ok(both.clone()));
        assert_eq!(numbers(&[0x59, 0x02, 0xFB]), Ok(vec![]));
        for zeros in 1..=9 {
            assert_eq!(
                numbers(&[&two[..], &vec![0; zeros]].concat()),
                Ok(both.clone())
            );
        }
        let too_short = Err(AnswerFault::TooShort { service: 0x19 });
        assert_eq!(numbers(&two[..10]), too_short);
        assert_eq!(numbers(&[0x59, 0x02]), too_short);
        assert_eq!(numbers(&[0x59]), too_short);
    }

    /// ISO 14229-1, readDataByIdentifier: 22 identifier, 62 identifier data.
    #[test]
    fn data_by_identifier() {
        assert_eq!(read_data_request(&[0xF190]), [0x22, 0xF1, 0x90]);
        let answer = [0x62, 0xF1, 0x90, 0x41, 0x42];
        assert_eq!(read_data_answer(0xF190, &answer), Ok(&answer[3..]));
        assert_eq!(
            read_data_answer(0xF191, &answer),
            Err(AnswerFault::OtherIdentifier { found: 0xF190 })
        );
        let refused = read_data_answer(0xF190, &[0x7F, 0x22, 0x31]).unwrap_err();
        assert_eq!(
            refused.to_string(),
            "the control unit refused service 0x22: requestOutOfRange (0x31)"
        );
        let of_another_service = read_data_answer(0xF190, &[0x7F, 0x19, 0x31]);
        assert_eq!(
            of_another_service,
            Err(AnswerFault::Unrelated { service: 0x22 })
        );
    }

    #[test]
    fn a_request_for_several_identifiers() {
        assert_eq!(
            read_data_request(&[0x1000, 0x1001]),
            [0x22, 0x10, 0x00, 0x10, 0x01]
        );
    }

    proptest! {
        #[test]
        fn arbitrary_messages_never_panic(
            first in prop::sample::select(vec![0x59_u8, 0x62, 0x7F, 0xFF]),
            rest in prop::collection::vec(any::<u8>(), 0..40),
            service: u8,
        ) {
            let message = [&[first][..], &rest].concat();
            let _ = positive_answer(service, &message);
            let _ = codes_answer(&message);
            let _ = read_data_answer(0xF190, &message);
        }
    }
}
