//! OBD-II: current values (service 01) and trouble codes (services 03, 07 and 0A) of SAE J1979.
//!
//! Requests are made and answers read as whole messages; [`crate::iso_tp`] carries them.
//!
//! - [`addressing`]: the identifiers of requests and answers on the bus (ISO 15765-4).
//! - [`parameter`]: the values that service 01 has, with their units and conversions.
//! - [`requests`]: those values as the requests of a decoder file.

pub mod addressing;
pub mod parameter;
pub mod requests;

use crate::trouble_code::TroubleCode;
use crate::uds::{AnswerFault, positive_answer};
use parameter::{Parameter, Reading, data_bytes};

/// Service 01: current values.
pub const CURRENT_DATA: u8 = 0x01;

/// What an answer of service 01 says.
#[derive(Clone, Debug, PartialEq)]
pub struct CurrentData<'a> {
    /// The values, in the order sent.
    pub readings: Vec<Reading>,
    /// What follows them from the first parameter on whose length is not known here, or that is
    /// cut short.
    pub undecoded: &'a [u8],
}

/// The values in an answer of service 01: `41`, then each parameter's number and data.
///
/// Masks of supported parameters are not values, and stepped over.
///
/// # Errors
/// When the message is a refusal or answers something else.
pub fn current_data_answer(message: &[u8]) -> Result<CurrentData<'_>, AnswerFault> {
    let mut undecoded = positive_answer(CURRENT_DATA, message)?;
    let mut readings = Vec::new();
    while let Some((number, data, rest)) = split_parameter(undecoded) {
        readings.extend(
            Parameter::find(number)
                .into_iter()
                .flat_map(|p| p.readings(data)),
        );
        undecoded = rest;
    }
    Ok(CurrentData {
        readings,
        undecoded,
    })
}

/// The data of one parameter in an answer of service 01, and whatever follows them.
///
/// # Errors
/// When the message is a refusal, or nothing in it is known to be this parameter.
pub fn parameter_data(parameter: u8, message: &[u8]) -> Result<&[u8], AnswerFault> {
    let mut content = positive_answer(CURRENT_DATA, message)?;
    loop {
        match content {
            [number, data @ ..] if *number == parameter => return Ok(data),
            _ => match split_parameter(content) {
                Some((_, _, rest)) => content = rest,
                None => {
                    return Err(AnswerFault::Unrelated {
                        service: CURRENT_DATA,
                    });
                }
            },
        }
    }
}

/// The first parameter of an answer's content: its number, its data, and what follows.
fn split_parameter(content: &[u8]) -> Option<(u8, &[u8], &[u8])> {
    let (&number, rest) = content.split_first()?;
    let (data, rest) = rest.split_at_checked(data_bytes(number)?)?;
    Some((number, data, rest))
}

/// The lists of trouble codes that OBD-II keeps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CodeKind {
    /// Service 03: confirmed, with the warning lamp.
    Confirmed,
    /// Service 07: found in this or the last drive, not yet confirmed.
    Pending,
    /// Service 0A: cannot be cleared by a tester.
    Permanent,
}

impl CodeKind {
    /// The service that reads the list, which is the whole request.
    #[must_use]
    pub fn service(self) -> u8 {
        match self {
            Self::Confirmed => 0x03,
            Self::Pending => 0x07,
            Self::Permanent => 0x0A,
        }
    }
}

/// The trouble codes in an answer: the service plus 0x40, their number, two bytes each.
///
/// Zero bytes after the last code are taken for padding.
///
/// # Errors
/// When the message is not the answer, or its number of codes is not what follows.
pub fn trouble_codes_answer(
    kind: CodeKind,
    message: &[u8],
) -> Result<Vec<TroubleCode>, AnswerFault> {
    let service = kind.service();
    let too_short = AnswerFault::TooShort { service };
    let (&count, content) = positive_answer(service, message)?
        .split_first()
        .ok_or(too_short)?;
    let (codes, rest) = content
        .split_at_checked(2 * usize::from(count))
        .ok_or(too_short)?;
    if rest.iter().any(|&byte| byte != 0) {
        return Err(AnswerFault::Surplus { service });
    }
    Ok(codes
        .as_chunks::<2>()
        .0
        .iter()
        .map(|&bytes| TroubleCode::from_bytes(bytes))
        .collect())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::iso_tp::framing::Framing;
    use crate::iso_tp::receiver::{Progress, Receiver, ReceiverSettings};
    use crate::uds::negative::{NegativeAnswer, NegativeCode};

    fn named(message: &[u8]) -> Vec<(&'static str, f64)> {
        let answer = current_data_answer(message).unwrap();
        answer
            .readings
            .iter()
            .map(|reading| (reading.name, reading.value))
            .collect()
    }

    /// SAE J1979 on CAN: one answer carries all parameters asked for that the unit supports.
    #[test]
    fn several_parameters_in_one_answer() {
        let answer = [
            0x41, 0x0C, 0x1A, 0xF8, 0x0D, 0x32, 0x62, 0xAF, 0x63, 0x01, 0x5E,
        ];
        let values = named(&answer);
        assert_eq!(
            values,
            [
                ("engine_speed", 1726.0),
                ("vehicle_speed", 50.0),
                ("actual_engine_torque", 50.0),
                ("engine_reference_torque", 350.0)
            ]
        );
    }

    /// A published exchange of single frames (ISO 15765-2): 03 01 31 51 and 06 41 31 1D E6 51 01.
    /// Parameter 51, the kind of fuel, is stepped over.
    #[test]
    fn from_frame_to_value() {
        let request = [CURRENT_DATA, 0x31, 0x51];
        let frame = Framing::CLASSIC.with_padding(None).single(&request);
        assert_eq!(frame, Some(vec![0x03, 0x01, 0x31, 0x51]));
        let mut receiver = Receiver::new(ReceiverSettings::default());
        let received = receiver.on_frame(0, &[0x06, 0x41, 0x31, 0x1D, 0xE6, 0x51, 0x01, 0xAA]);
        let Progress::Complete(message) = received.progress else {
            panic!("{received:?}")
        };
        assert_eq!(
            named(&message),
            [("distance_since_codes_cleared_km", 7654.0)]
        );
    }

    #[test]
    fn what_is_not_known_is_handed_back() {
        let answer = [0x41, 0x0D, 0x32, 0xF0, 0x01, 0x02];
        let decoded = current_data_answer(&answer).unwrap();
        assert_eq!(decoded.readings.len(), 1);
        assert_eq!(decoded.undecoded, [0xF0, 0x01, 0x02]);
        let cut = current_data_answer(&[0x41, 0x0C, 0x1A]).unwrap();
        assert_eq!((cut.readings.len(), cut.undecoded), (0, &[0x0C, 0x1A][..]));
        // A parameter whose length is known but whose value matters not is stepped over.
        assert_eq!(
            named(&[0x41, 0x01, 0, 0, 0, 0, 0x0D, 0x32]),
            [("vehicle_speed", 50.0)]
        );
        let refusal = NegativeAnswer {
            service: 0x01,
            code: NegativeCode(0x12),
        };
        let refused = current_data_answer(&[0x7F, 0x01, 0x12]);
        assert_eq!(refused, Err(AnswerFault::Negative(refusal)));
    }

    /// SAE J1979 services 03, 07 and 0A on CAN. The codes are those of the J2012 examples.
    #[test]
    fn lists_of_trouble_codes() {
        let texts = |kind, message: &[u8]| -> Result<Vec<String>, AnswerFault> {
            let codes = trouble_codes_answer(kind, message)?;
            Ok(codes.iter().map(ToString::to_string).collect())
        };
        let two = Ok(vec!["P0143".to_owned(), "U0100".to_owned()]);
        assert_eq!(
            texts(CodeKind::Confirmed, &[0x43, 2, 0x01, 0x43, 0xC1, 0x00]),
            two
        );
        assert_eq!(
            texts(CodeKind::Pending, &[0x47, 2, 0x01, 0x43, 0xC1, 0x00]),
            two
        );
        assert_eq!(
            texts(CodeKind::Permanent, &[0x4A, 2, 0x01, 0x43, 0xC1, 0x00, 0]),
            two
        );
        assert_eq!(texts(CodeKind::Confirmed, &[0x43, 0]), Ok(vec![]));
        let too_short = Err(AnswerFault::TooShort { service: 0x03 });
        assert_eq!(
            texts(CodeKind::Confirmed, &[0x43, 2, 0x01, 0x43, 0xC1]),
            too_short
        );
        assert_eq!(texts(CodeKind::Confirmed, &[0x43]), too_short);
        let surplus = Err(AnswerFault::Surplus { service: 0x03 });
        assert_eq!(
            texts(CodeKind::Confirmed, &[0x43, 1, 0x01, 0x43, 0xC1, 0x00]),
            surplus
        );
        let unrelated = Err(AnswerFault::Unrelated { service: 0x07 });
        assert_eq!(texts(CodeKind::Pending, &[0x43, 0]), unrelated);
    }

    proptest! {
        #[test]
        fn arbitrary_answers_never_panic(content in prop::collection::vec(any::<u8>(), 0..80)) {
            let answer = [&[0x41][..], &content].concat();
            let decoded = current_data_answer(&answer).unwrap();
            prop_assert!(decoded.readings.iter().all(|reading| reading.value.is_finite()));
            prop_assert!(answer.ends_with(decoded.undecoded));
            for kind in [CodeKind::Confirmed, CodeKind::Pending, CodeKind::Permanent] {
                let list = [&[kind.service() + 0x40][..], &content].concat();
                if let Ok(codes) = trouble_codes_answer(kind, &list) {
                    prop_assert_eq!(Some(codes.len()), content.first().map(|&n| n.into()));
                }
            }
        }
    }
}
