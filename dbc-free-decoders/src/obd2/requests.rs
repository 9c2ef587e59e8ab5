//! OBD-II parameters as the requests of a decoder file, so that a recorder can ask for them and a
//! capture's answers be decoded like any other signal.

use super::addressing::Addressing;
use super::parameter::{Parameter, Value};
use crate::decoder_file::{DiagnosticRead, RequestEntry, SignalEntry};
use crate::field::{BitOrder, Coding, Field, FieldError};
use crate::signal::SignalKey;

impl Parameter {
    /// A request for this parameter to all control units, answered by the engine's.
    ///
    /// # Errors
    /// None for the parameters of the list; the field's rules are checked all the same.
    pub fn request(
        &self,
        addressing: Addressing,
        period_ms: f64,
    ) -> Result<RequestEntry, FieldError> {
        Ok(RequestEntry {
            bus: None,
            name: None,
            read: DiagnosticRead::Parameter {
                service: super::CURRENT_DATA,
                pid: self.number,
            },
            request_id: addressing.functional_request(),
            response_id: addressing.engine_answer(),
            length_bytes: None,
            period_ms: Some(period_ms),
            timeout_ms: None,
            signals: self
                .values
                .iter()
                .map(Value::signal)
                .collect::<Result<_, _>>()?,
        })
    }
}

impl Value {
    /// This value as a signal of its parameter's request.
    fn signal(&self) -> Result<SignalEntry, FieldError> {
        let key = self
            .role
            .map_or_else(|| SignalKey::Name(self.name.to_owned()), SignalKey::Role);
        let bits = |bytes: usize| u16::try_from(8 * bytes).unwrap_or(u16::MAX);
        let length = u8::try_from(bits(self.bytes)).unwrap_or(u8::MAX);
        let field = Field::new(
            bits(self.first_byte),
            length,
            BitOrder::Big,
            Coding::Unsigned,
        )?;
        let scale = self.numerator / self.denominator;
        Ok(SignalEntry::new(key, field, scale, self.offset, self.unit))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decoder_file::DecoderFile;
    use crate::obd2::parameter::PARAMETERS;

    fn request(number: u8, period_ms: f64) -> RequestEntry {
        Parameter::find(number)
            .unwrap()
            .request(Addressing::Base, period_ms)
            .unwrap()
    }

    #[test]
    fn the_standard_file_says_what_the_list_says() {
        let parsed = DecoderFile::parse(include_str!("../../standard/obd2.toml")).unwrap();
        assert_eq!(parsed.warnings, []);
        for found in &parsed.file.requests {
            let DiagnosticRead::Parameter { service: 0x01, pid } = found.read else {
                panic!("{found:?}")
            };
            assert_eq!(*found, request(pid, found.period_ms.unwrap()));
        }
        assert!(parsed.file.requests.len() >= 10);
    }

    #[test]
    fn signals_decode_as_the_list_does() {
        let data = [0x7B, 0x4A, 0x19, 0xE8, 0xBF, 0x8E, 0x5D, 0x2C];
        for parameter in PARAMETERS {
            let entry = parameter.request(Addressing::Extended, 200.0).unwrap();
            assert!(entry.response_id.is_extended());
            let readings = parameter.readings(&data);
            assert_eq!(entry.signals.len(), readings.len());
            for (signal, reading) in entry.signals.iter().zip(readings) {
                let value = signal.value(signal.field.extract(&data).unwrap());
                let tolerance = 1e-12 * reading.value.abs().max(1.0);
                assert!(
                    (value - reading.value).abs() <= tolerance,
                    "{}",
                    reading.name
                );
                assert_eq!(signal.unit, reading.unit);
            }
        }
    }
}
