//! Negative answers: `7F service code` (ISO 14229-1, annex A.1). OBD-II uses the same form.

use std::fmt;

/// The first byte of a negative answer.
pub const NEGATIVE_ANSWER: u8 = 0x7F;

/// A refusal, or the word that the answer takes longer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NegativeAnswer {
    /// The service asked for.
    pub service: u8,
    /// Why.
    pub code: NegativeCode,
}

impl NegativeAnswer {
    /// The negative answer in a message; `None` if the message is none.
    #[must_use]
    pub fn read(message: &[u8]) -> Option<Self> {
        match message {
            [NEGATIVE_ANSWER, service, code, ..] => Some(Self {
                service: *service,
                code: NegativeCode(*code),
            }),
            _ => None,
        }
    }
}

impl fmt::Display for NegativeAnswer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { service, code } = self;
        if code.is_pending() {
            write!(
                f,
                "the control unit needs more time for service 0x{service:02X}"
            )
        } else {
            write!(
                f,
                "the control unit refused service 0x{service:02X}: {code}"
            )
        }
    }
}

impl std::error::Error for NegativeAnswer {}

/// Why a control unit refuses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NegativeCode(pub u8);

impl NegativeCode {
    /// The answer follows later: wait on, do not ask again.
    pub const RESPONSE_PENDING: Self = Self(0x78);

    /// Whether the answer follows later.
    #[must_use]
    pub fn is_pending(self) -> bool {
        self == Self::RESPONSE_PENDING
    }

    /// The standard's name; `None` for a number that it reserves or leaves to the maker.
    #[must_use]
    pub fn name(self) -> Option<&'static str> {
        NAMES
            .iter()
            .find(|(number, _)| *number == self.0)
            .map(|(_, name)| *name)
    }
}

impl fmt::Display for NegativeCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => write!(f, "{name} (0x{:02X})", self.0),
            None => write!(f, "code 0x{:02X}", self.0),
        }
    }
}

/// ISO 14229-1:2020, table A.1.
const NAMES: &[(u8, &str)] = &[
    (0x10, "generalReject"),
    (0x11, "serviceNotSupported"),
    (0x12, "subFunctionNotSupported"),
    (0x13, "incorrectMessageLengthOrInvalidFormat"),
    (0x14, "responseTooLong"),
    (0x21, "busyRepeatRequest"),
    (0x22, "conditionsNotCorrect"),
    (0x24, "requestSequenceError"),
    (0x25, "noResponseFromSubnetComponent"),
    (0x26, "failurePreventsExecutionOfRequestedAction"),
    (0x31, "requestOutOfRange"),
    (0x33, "securityAccessDenied"),
    (0x34, "authenticationRequired"),
    (0x35, "invalidKey"),
    (0x36, "exceededNumberOfAttempts"),
    (0x37, "requiredTimeDelayNotExpired"),
    (0x38, "secureDataTransmissionRequired"),
    (0x39, "secureDataTransmissionNotAllowed"),
    (0x3A, "secureDataVerificationFailed"),
    (0x50, "certificateVerificationFailedInvalidTimePeriod"),
    (0x51, "certificateVerificationFailedInvalidSignature"),
    (0x52, "certificateVerificationFailedInvalidChainOfTrust"),
    (0x53, "certificateVerificationFailedInvalidType"),
    (0x54, "certificateVerificationFailedInvalidFormat"),
    (0x55, "certificateVerificationFailedInvalidContent"),
    (0x56, "certificateVerificationFailedInvalidScope"),
    (0x57, "certificateVerificationFailedInvalidCertificate"),
    (0x58, "ownershipVerificationFailed"),
    (0x59, "challengeCalculationFailed"),
    (0x5A, "settingAccessRightsFailed"),
    (0x5B, "sessionKeyCreationDerivationFailed"),
    (0x5C, "configurationDataUsageFailed"),
    (0x5D, "deAuthenticationFailed"),
    (0x70, "uploadDownloadNotAccepted"),
    (0x71, "transferDataSuspended"),
    (0x72, "generalProgrammingFailure"),
    (0x73, "wrongBlockSequenceCounter"),
    (0x78, "requestCorrectlyReceivedResponsePending"),
    (0x7E, "subFunctionNotSupportedInActiveSession"),
    (0x7F, "serviceNotSupportedInActiveSession"),
    (0x81, "rpmTooHigh"),
    (0x82, "rpmTooLow"),
    (0x83, "engineIsRunning"),
    (0x84, "engineIsNotRunning"),
    (0x85, "engineRunTimeTooLow"),
    (0x86, "temperatureTooHigh"),
    (0x87, "temperatureTooLow"),
    (0x88, "vehicleSpeedTooHigh"),
    (0x89, "vehicleSpeedTooLow"),
    (0x8A, "throttlePedalTooHigh"),
    (0x8B, "throttlePedalTooLow"),
    (0x8C, "transmissionRangeNotInNeutral"),
    (0x8D, "transmissionRangeNotInGear"),
    (0x8F, "brakeSwitchesNotClosed"),
    (0x90, "shifterLeverNotInPark"),
    (0x91, "torqueConverterClutchLocked"),
    (0x92, "voltageTooHigh"),
    (0x93, "voltageTooLow"),
    (0x94, "resourceTemporarilyNotAvailable"),
];

#[cfg(test)]
mod tests {
    use super::*;

    /// The names of the Python library udsoncan 1.26.1 (`tests/reference/uds.py` wrote the table).
    /// DIFFERENCE: two names are spelled as in the standard, from memory.
    #[test]
    fn names_match_the_reference_library() {
        let spelled_otherwise = [
            ("exceednumberofattempts", "exceededNumberOfAttempts"),
            ("brakeswitchnotclosed", "brakeSwitchesNotClosed"),
        ];
        let table = include_str!("../../../tests/reference/uds.txt");
        let mut named = 0;
        for line in table.lines() {
            let (number, theirs) = line.split_once(' ').unwrap();
            let number = u8::from_str_radix(number, 16).unwrap();
            let theirs = theirs.replace('_', "").to_ascii_lowercase();
            let ours = NegativeCode(number).name().unwrap_or("");
            let known = spelled_otherwise.contains(&(theirs.as_str(), ours));
            assert!(
                known || ours.to_ascii_lowercase() == theirs,
                "{number:02X}: {ours}, {theirs}"
            );
            named += 1;
        }
        assert_eq!(named, NAMES.len(), "every name is checked");
    }

    /// ISO 14229-1: 7F, service, code.
    #[test]
    fn negative_answers_are_told_apart() {
        let pending = NegativeAnswer::read(&[0x7F, 0x22, 0x78]).unwrap();
        assert!(pending.code.is_pending());
        assert_eq!(
            pending.to_string(),
            "the control unit needs more time for service 0x22"
        );
        assert_eq!(NegativeAnswer::read(&[0x7F, 0x22]), None);
        assert_eq!(NegativeAnswer::read(&[0x62, 0x22, 0x78]), None);
        assert_eq!(NegativeCode(0xF0).to_string(), "code 0xF0");
    }
}
