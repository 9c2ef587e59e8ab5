//! NMEA 0183 from a serial receiver: RMC for time, position, speed and course; GGA for satellites
//! and height, which are told with the RMC that follows.

use super::Fix;

/// One international knot, m/s.
const KNOT_MPS: f64 = 1_852.0 / 3_600.0;

/// Reads sentences; remembers the last GGA.
#[derive(Debug, Default)]
pub struct Reader {
    satellites: Option<u8>,
    altitude_m: Option<f64>,
}

impl Reader {
    /// The fix in one sentence, if it holds one. A sentence with a wrong checksum holds nothing.
    pub fn line(&mut self, line: &str) -> Option<Fix> {
        let body = checked(line.trim())?;
        let fields: Vec<&str> = body.split(',').collect();
        // Two letters of who talks, three of what is said.
        match fields.first()?.get(2..)? {
            "RMC" => Some(self.rmc(&fields)),
            "GGA" => {
                self.gga(&fields);
                None
            }
            _ => None,
        }
    }

    fn gga(&mut self, fields: &[&str]) {
        let fixed = number(fields, 6).is_some_and(|quality: u8| quality > 0);
        self.satellites = number(fields, 7);
        self.altitude_m = number(fields, 9).filter(|_| fixed);
    }

    fn rmc(&self, fields: &[&str]) -> Fix {
        let valid = fields.get(2) == Some(&"A");
        let fix = Fix {
            utc_ms: utc_ms(fields.get(1).unwrap_or(&""), fields.get(9).unwrap_or(&"")),
            mode: 1,
            satellites: self.satellites,
            ..Fix::default()
        };
        if !valid {
            return fix;
        }
        Fix {
            mode: if self.altitude_m.is_some() { 3 } else { 2 },
            speed_mps: number(fields, 7)
                .filter(|k: &f64| *k >= 0.0)
                .map(|k| k * KNOT_MPS),
            course_deg: number(fields, 8),
            latitude_deg: angle(fields, 3, 2, "S"),
            longitude_deg: angle(fields, 5, 3, "W"),
            altitude_m: self.altitude_m,
            ..fix
        }
    }
}

/// What stands between `$` and `*`, if its exclusive-or is what follows.
fn checked(line: &str) -> Option<&str> {
    let (body, sum) = line.strip_prefix('$')?.split_once('*')?;
    let sum = u8::from_str_radix(sum.get(..2)?, 16).ok()?;
    (body.bytes().fold(0, |sum, byte| sum ^ byte) == sum).then_some(body)
}

fn number<T: std::str::FromStr>(fields: &[&str], at: usize) -> Option<T> {
    fields.get(at)?.parse().ok()
}

/// Degrees and minutes in one number, such as 4807.038, with the hemisphere behind it.
fn angle(fields: &[&str], at: usize, degree_digits: usize, negative: &str) -> Option<f64> {
    let text = fields.get(at)?;
    let degrees: f64 = text.get(..degree_digits)?.parse().ok()?;
    let minutes: f64 = text.get(degree_digits..)?.parse().ok()?;
    let angle = degrees + minutes / 60.0;
    Some(if fields.get(at + 1) == Some(&negative) {
        -angle
    } else {
        angle
    })
}

/// hhmmss.sss and ddmmyy. Two digits of year, which from 80 on are of the last century.
fn utc_ms(time: &str, date: &str) -> Option<i64> {
    let two = |text: &str, at: usize| text.get(at..at + 2)?.parse::<i8>().ok();
    let year = i16::from(two(date, 4)?);
    let year = if year >= 80 {
        1_900 + year
    } else {
        2_000 + year
    };
    let seconds: f64 = time.get(4..)?.parse().ok()?;
    let whole = seconds.floor();
    let date = jiff::civil::Date::new(year, two(date, 2)?, two(date, 0)?).ok()?;
    // A leap second is told as 60; it is put on the second before it.
    let second = if (0.0..61.0).contains(&seconds) {
        whole.min(59.0) as i8
    } else {
        return None;
    };
    let time = jiff::civil::Time::new(two(time, 0)?, two(time, 2)?, second, 0).ok()?;
    let at = jiff::tz::TimeZone::UTC
        .to_timestamp(date.to_datetime(time))
        .ok()?;
    Some(at.as_millisecond() + ((seconds - whole) * 1e3).round() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sentences as printed in receiver manuals and tutorials, checksums and all.
    #[test]
    fn published_sentences_are_read() {
        let mut reader = Reader::default();
        let gga = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47";
        assert_eq!(reader.line(gga), None);
        let rmc = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n";
        let fix = reader.line(rmc).unwrap();
        assert!((fix.speed_mps.unwrap() - 11.523_556).abs() < 1e-6);
        assert!((fix.latitude_deg.unwrap() - 48.117_3).abs() < 1e-9);
        assert!((fix.longitude_deg.unwrap() - 11.516_666_667).abs() < 1e-9);
        assert_eq!(
            (fix.course_deg, fix.satellites, fix.mode),
            (Some(84.4), Some(8), 3)
        );
        // 1994-03-23 12:35:19 UTC.
        assert_eq!(fix.utc_ms, Some(764_426_119_000));
        let west = "$GPRMC,175741,A,4751.698,N,12209.774,W,000.0,360.0,191100,019.5,E*69";
        let fix = Reader::default().line(west).unwrap();
        assert_eq!(fix.speed_mps, Some(0.0));
        assert!(fix.longitude_deg.unwrap() < -122.0);
        let no_course = "$GPRMC,111309.00,A,5400.6000,N,00247.1000,W,00.00,302.5,140915,,,A*4C";
        assert!(Reader::default().line(no_course).is_some());
    }

    #[test]
    fn a_void_report_has_no_speed() {
        let void = "$GPRMC,075851.891,V,5611.5305,N,00302.0369,W,002.2,252.9,160411,,,N*68";
        let fix = Reader::default().line(void).unwrap();
        assert_eq!((fix.speed_mps, fix.latitude_deg, fix.mode), (None, None, 1));
        assert_eq!(fix.utc_ms.map(|t| t % 1_000), Some(891));
    }

    #[test]
    fn a_wrong_checksum_and_nonsense_are_nothing() {
        let wrong = "$GPRMC,123519,A,4807.038,N,01131.000,E,023.4,084.4,230394,003.1,W*6A";
        for line in [
            wrong,
            "",
            "$",
            "$*",
            "$*00",
            "$GPRMC*4B",
            "GPRMC",
            "$é*00",
            "$GPé,*1",
        ] {
            let fix = Reader::default().line(line);
            assert!(fix.is_none_or(|fix| fix.speed_mps.is_none()), "{line}");
        }
    }
}
