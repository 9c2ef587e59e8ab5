//! The gpsd server's JSON: one object a line (gpsd_json(5)). Taken are TPV, the report of time,
//! position and velocity, and SKY, for the number of satellites.

use serde::Deserialize;

use super::Fix;

/// Sent once after connecting: report, as JSON.
pub const WATCH: &str = "?WATCH={\"enable\":true,\"json\":true};\n";

#[derive(Deserialize)]
#[serde(tag = "class")]
enum Report {
    #[serde(rename = "TPV")]
    Tpv(Tpv),
    #[serde(rename = "SKY")]
    Sky(Sky),
    #[serde(other)]
    Other,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Tpv {
    #[serde(default)]
    mode: u8,
    time: Option<String>,
    lat: Option<f64>,
    lon: Option<f64>,
    #[serde(rename = "altMSL")]
    alt_msl: Option<f64>,
    /// Before version 3.20 the height had this name.
    alt: Option<f64>,
    speed: Option<f64>,
    eps: Option<f64>,
    track: Option<f64>,
}

#[derive(Deserialize)]
struct Sky {
    #[serde(rename = "uSat")]
    used: Option<u8>,
    #[serde(default)]
    satellites: Vec<Satellite>,
}

#[derive(Deserialize)]
struct Satellite {
    #[serde(default)]
    used: bool,
}

/// Reads the server's lines; remembers the satellites between them.
#[derive(Debug, Default)]
pub struct Reader {
    satellites: Option<u8>,
}

impl Reader {
    /// The fix in one line, if it holds one.
    pub fn line(&mut self, line: &str) -> Option<Fix> {
        match serde_json::from_str(line).ok()? {
            Report::Tpv(tpv) => Some(self.fix(&tpv)),
            Report::Sky(sky) => {
                let listed = sky.satellites.iter().filter(|s| s.used).count();
                let listed =
                    (!sky.satellites.is_empty()).then(|| u8::try_from(listed).unwrap_or(254));
                self.satellites = sky.used.or(listed).or(self.satellites);
                None
            }
            Report::Other => None,
        }
    }

    fn fix(&self, tpv: &Tpv) -> Fix {
        // Without a fix the server may repeat old values: they are no measurement.
        let fixed = tpv.mode >= 2;
        let told = |value: Option<f64>| value.filter(|_| fixed);
        Fix {
            utc_ms: tpv
                .time
                .as_ref()
                .and_then(|t| t.parse::<jiff::Timestamp>().ok())
                .map(|t| t.as_millisecond()),
            mode: tpv.mode,
            speed_mps: told(tpv.speed),
            speed_u_mps: told(tpv.eps),
            course_deg: told(tpv.track),
            latitude_deg: told(tpv.lat),
            longitude_deg: told(tpv.lon),
            altitude_m: told(tpv.alt_msl.or(tpv.alt)).filter(|_| tpv.mode >= 3),
            satellites: self.satellites,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_report_is_read() {
        let mut reader = Reader::default();
        assert_eq!(reader.line(r#"{"class":"VERSION","release":"3.22"}"#), None);
        let sky = r#"{"class":"SKY","satellites":[{"PRN":1,"used":true},{"PRN":2,"used":false},{"PRN":3,"used":true}]}"#;
        assert_eq!(reader.line(sky), None);
        let tpv = r#"{"class":"TPV","device":"/dev/pts/0","mode":3,"time":"2015-09-14T11:13:09.250Z",
            "ept":0.005,"lat":54.01,"lon":-2.785,"altMSL":42.2,"speed":12.5,"eps":0.4,"track":302.5}"#;
        let fix = reader.line(tpv).unwrap();
        assert_eq!(fix.utc_ms, Some(1_442_229_189_250));
        assert_eq!(
            (fix.speed_mps, fix.speed_u_mps, fix.satellites),
            (Some(12.5), Some(0.4), Some(2))
        );
        assert_eq!(
            (fix.latitude_deg, fix.altitude_m, fix.mode),
            (Some(54.01), Some(42.2), 3)
        );
    }

    #[test]
    fn without_a_fix_there_is_no_speed() {
        let fix = Reader::default()
            .line(r#"{"class":"TPV","mode":1,"speed":3.0,"lat":1.0}"#)
            .unwrap();
        assert_eq!((fix.mode, fix.speed_mps, fix.latitude_deg), (1, None, None));
    }

    #[test]
    fn nonsense_is_nothing() {
        for line in [
            "",
            "{",
            "[]",
            "{\"class\":7}",
            "{\"class\":\"TPV\",\"mode\":\"x\"}",
            "\u{0}",
        ] {
            assert_eq!(Reader::default().line(line), None, "{line}");
        }
    }
}
