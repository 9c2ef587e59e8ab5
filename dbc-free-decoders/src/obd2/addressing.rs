//! Which identifiers carry OBD-II requests and answers (ISO 15765-4).
//!
//! The one place for these numbers: decoder files, diagnostic reads, `find` and `check` ask here.
//! Every car that speaks OBD-II over CAN uses one of two schemes, with 11 or with 29 bits.

use crate::frame::CanId;

/// First of the eight 11-bit identifiers for requests to one control unit.
const BASE_PHYSICAL_REQUEST: u16 = 0x7E0;
/// First of the eight 11-bit identifiers for answers.
const BASE_ANSWER: u16 = 0x7E8;
/// 29-bit answers to the tester at address F1; the last byte is the control unit's address.
const EXTENDED_ANSWER: u32 = 0x18DA_F100;
/// 29-bit requests from it; the middle byte is the control unit's address.
const EXTENDED_PHYSICAL_REQUEST: u32 = 0x18DA_00F1;

/// The two schemes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Addressing {
    /// 11-bit identifiers.
    Base,
    /// 29-bit identifiers.
    Extended,
}

impl Addressing {
    /// The scheme that an identifier is as long as those of.
    #[must_use]
    pub fn of(id: CanId) -> Self {
        if id.is_extended() {
            Self::Extended
        } else {
            Self::Base
        }
    }

    /// The identifier of a request to all control units.
    #[must_use]
    pub fn functional_request(self) -> CanId {
        match self {
            Self::Base => CanId::Base(0x7DF),
            Self::Extended => CanId::Extended(0x18DB_33F1),
        }
    }

    /// The identifier of the engine control unit's answers: unit 0, or address 0x10.
    #[must_use]
    pub fn engine_answer(self) -> CanId {
        match self {
            Self::Base => ControlUnit::Base(0).answer_id(),
            Self::Extended => ControlUnit::Extended(0x10).answer_id(),
        }
    }
}

/// A control unit that answers OBD-II.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ControlUnit {
    /// Number 0 to 7 of the 11-bit scheme.
    Base(u8),
    /// Address of the 29-bit scheme.
    Extended(u8),
}

impl ControlUnit {
    /// The unit whose answers have this identifier; `None` for identifiers that are no OBD-II
    /// answer.
    #[must_use]
    pub fn from_answer(id: CanId) -> Option<Self> {
        match id {
            CanId::Base(number) => {
                let unit = number.checked_sub(BASE_ANSWER)?;
                u8::try_from(unit)
                    .ok()
                    .filter(|&unit| unit < 8)
                    .map(Self::Base)
            }
            CanId::Extended(number) => {
                let [high, middle, target, unit] = number.to_be_bytes();
                let [expected_high, expected_middle, tester, _] = EXTENDED_ANSWER.to_be_bytes();
                ([high, middle, target] == [expected_high, expected_middle, tester])
                    .then_some(Self::Extended(unit))
            }
        }
    }

    /// The unit to which requests of this identifier go; `None` for identifiers that are no OBD-II
    /// request to one unit.
    #[must_use]
    pub fn from_request(id: CanId) -> Option<Self> {
        let unit = match id {
            CanId::Base(number) => {
                let unit = number.checked_sub(BASE_PHYSICAL_REQUEST)?;
                Self::Base(u8::try_from(unit).ok().filter(|&unit| unit < 8)?)
            }
            CanId::Extended(number) => {
                let [_, _, unit, _] = number.to_be_bytes();
                Self::Extended(unit)
            }
        };
        (unit.request_id() == id).then_some(unit)
    }

    /// The identifier of requests to this unit alone. The flow control that a longer answer needs
    /// goes here too, even where the request went to all.
    #[must_use]
    pub fn request_id(self) -> CanId {
        match self {
            Self::Base(unit) => CanId::Base(BASE_PHYSICAL_REQUEST + u16::from(unit & 7)),
            Self::Extended(unit) => {
                CanId::Extended(EXTENDED_PHYSICAL_REQUEST | u32::from(unit) << 8)
            }
        }
    }

    /// The identifier of this unit's answers.
    #[must_use]
    pub fn answer_id(self) -> CanId {
        match self {
            Self::Base(unit) => CanId::Base(BASE_ANSWER + u16::from(unit & 7)),
            Self::Extended(unit) => CanId::Extended(EXTENDED_ANSWER | u32::from(unit)),
        }
    }
}

/// Whether an identifier is of the diagnostic ranges of ISO 15765-4 and ISO 15765-2 normal fixed
/// addressing, which carry questions and answers and no periodic signals.
#[must_use]
pub fn is_diagnostic(id: CanId) -> bool {
    match id {
        CanId::Base(number) => {
            let to_all = Addressing::Base.functional_request() == id;
            to_all || (BASE_PHYSICAL_REQUEST..BASE_ANSWER + 8).contains(&number)
        }
        CanId::Extended(number) => matches!(number >> 16 & 0x3FF, 0xDA | 0xDB) && number >> 26 == 6,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 15765-4: 7DF, 7E0 to 7E7, 7E8 to 7EF; 18DB33F1, 18DAxxF1, 18DAF1xx.
    #[test]
    fn identifiers_of_the_standard() {
        assert_eq!(Addressing::Base.functional_request(), CanId::Base(0x7DF));
        assert_eq!(
            Addressing::Extended.functional_request(),
            CanId::Extended(0x18DB_33F1)
        );
        assert_eq!(Addressing::Base.engine_answer(), CanId::Base(0x7E8));
        assert_eq!(
            Addressing::Extended.engine_answer(),
            CanId::Extended(0x18DA_F110)
        );
        let check = |answer: CanId, request: CanId| {
            let unit = ControlUnit::from_answer(answer).unwrap();
            assert_eq!(unit.request_id(), request);
            assert_eq!(ControlUnit::from_request(request), Some(unit));
            assert_eq!(Addressing::of(request), Addressing::of(answer));
            assert!(is_diagnostic(request) && is_diagnostic(answer));
            assert_eq!(unit.answer_id(), answer);
        };
        check(CanId::Base(0x7E8), CanId::Base(0x7E0));
        check(CanId::Base(0x7EF), CanId::Base(0x7E7));
        check(CanId::Extended(0x18DA_F110), CanId::Extended(0x18DA_10F1));
        check(CanId::Extended(0x18DA_F1FF), CanId::Extended(0x18DA_FFF1));
    }

    #[test]
    fn other_identifiers_are_no_answers() {
        let others = [
            CanId::Base(0x7E7),
            CanId::Base(0x7F0),
            CanId::Base(0x000),
            CanId::Extended(0x7E8),
            CanId::Extended(0x18DA_F010),
            CanId::Extended(0x18DB_F110),
            CanId::Extended(0x0CDA_F110),
        ];
        for id in others {
            assert_eq!(ControlUnit::from_answer(id), None, "{id}");
        }
        for id in [
            CanId::Base(0x7DF),
            CanId::Base(0x7E8),
            CanId::Base(0x0E0),
            CanId::Extended(0x18DB_33F1),
            CanId::Extended(0x18DA_10F2),
            CanId::Extended(0x1CDA_10F1),
        ] {
            assert_eq!(ControlUnit::from_request(id), None, "{id}");
        }
        assert!(!is_diagnostic(CanId::Base(0x7F0)) && !is_diagnostic(CanId::Extended(0x0CDA_F110)));
        let answers = (0..=0x7FF).filter(|&n| ControlUnit::from_answer(CanId::Base(n)).is_some());
        assert_eq!(
            answers.collect::<Vec<_>>(),
            (0x7E8..=0x7EF).collect::<Vec<_>>()
        );
    }
}
