//! `drive.toml`: what a person wants to know of a drive later, beside its capture files.
//!
//! The upper part belongs to the person: it is written once, when the drive starts, and never
//! touched again. What the recorder knows stands below a marker line and is written anew.

use std::fmt::Write;

use super::lifecycle::End;

/// Below this line everything is the recorder's.
const MARKER: &str = "# Below this line the recorder writes; changes there are lost.";

/// What the person said when starting the recorder.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct About {
    /// The vehicle file's path, as given.
    pub vehicle: Option<String>,
    /// Distance on the odometer, km.
    pub odometer_km: Option<u32>,
    /// Free text.
    pub notes: String,
    /// Free text: road, weather, load, tyres.
    pub conditions: String,
}

/// One bus in the sidecar.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BusLine {
    /// Interface name.
    pub name: String,
    /// Frames written.
    pub frames: u64,
    /// Error frames among them.
    pub error_frames: u64,
    /// Frames that the kernel dropped.
    pub dropped: u64,
    /// Which clock stamped the frames.
    pub stamps: String,
}

/// What the recorder knows of a drive.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// UTC time of the first frame, RFC 3339.
    pub start_utc: String,
    /// UTC time of the last, on the same time line.
    pub end_utc: String,
    /// Length, s.
    pub duration_s: f64,
    /// How it ended; `None` while it runs, and for ever after a power loss.
    pub ended: Option<End>,
    /// How far the wall time was set during the drive, s; stamps do not follow it.
    pub clock_set_by_s: f64,
    /// Capture files in order.
    pub files: Vec<String>,
    /// One entry a bus.
    pub buses: Vec<BusLine>,
    /// Marks set.
    pub marks: u64,
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// The person's part, for a drive that starts.
#[must_use]
pub fn persons_part(about: &About) -> String {
    let mut text =
        String::from("# Yours: fill in and change what you like above the marker line.\n");
    let line = |name: &str, value: Option<String>| match value {
        Some(value) => format!("{name} = {value}\n"),
        None => format!("# {name} =\n"),
    };
    text += &line("vehicle", about.vehicle.as_deref().map(quoted));
    text += &line("odometer_km", about.odometer_km.map(|km| km.to_string()));
    text += &line("notes", Some(quoted(&about.notes)));
    text += &line("conditions", Some(quoted(&about.conditions)));
    // What the trend takes as the car's own normal.
    text += &line("healthy", None);
    text
}

/// The whole file: the person's part of `before`, then the record.
#[must_use]
pub fn whole(before: &str, record: &Record) -> String {
    let persons = before
        .split_once(MARKER)
        .map_or(before, |(persons, _)| persons)
        .trim_end();
    let mut text = format!("{persons}\n\n{MARKER}\n[recording]\n");
    // Writing to a string cannot fail.
    let _ = writeln!(text, "start_utc = {}", quoted(&record.start_utc));
    let _ = writeln!(text, "end_utc = {}", quoted(&record.end_utc));
    let _ = writeln!(text, "duration_s = {:.3}", record.duration_s);
    let _ = match record.ended {
        Some(end) => writeln!(text, "ended = {}", quoted(end.text())),
        None => writeln!(text, "# ended = (not yet, or the power went)"),
    };
    let _ = writeln!(text, "clock_set_by_s = {:.6}", record.clock_set_by_s);
    let files: Vec<String> = record.files.iter().map(|f| quoted(f)).collect();
    let _ = writeln!(text, "files = [{}]", files.join(", "));
    let _ = writeln!(text, "marks = {}", record.marks);
    for bus in &record.buses {
        let _ = writeln!(
            text,
            "\n[[recording.bus]]\nname = {}\nframes = {}\nerror_frames = {}\ndropped = {}\nstamps = {}",
            quoted(&bus.name),
            bus.frames,
            bus.error_frames,
            bus.dropped,
            quoted(&bus.stamps)
        );
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(ended: Option<End>) -> Record {
        Record {
            start_utc: "2026-05-01T08:00:00Z".to_owned(),
            end_utc: "2026-05-01T08:30:00Z".to_owned(),
            duration_s: 1_800.0,
            ended,
            clock_set_by_s: 0.0,
            files: vec!["2026-05-01T08-00-00Z.pcapng".to_owned()],
            buses: vec![BusLine {
                name: "can0".to_owned(),
                frames: 7,
                error_frames: 1,
                dropped: 2,
                stamps: "kernel".to_owned(),
            }],
            marks: 1,
        }
    }

    #[test]
    fn the_persons_part_survives_word_for_word() {
        let about = About {
            odometer_km: Some(181_000),
            notes: "wet \"road\"".to_owned(),
            ..About::default()
        };
        let first = whole(&persons_part(&about), &record(None));
        let edited = first.replace("conditions = \"\"", "conditions = \"4 °C\"  # my comment");
        let last = whole(&edited, &record(Some(End::Quiet)));
        assert!(
            last.contains("conditions = \"4 °C\"  # my comment"),
            "{last}"
        );
        let read: toml::Table = last.parse().unwrap();
        assert_eq!(read["odometer_km"].as_integer(), Some(181_000));
        assert_eq!(read["notes"].as_str(), Some("wet \"road\""));
        assert_eq!(
            read["recording"]["ended"].as_str(),
            Some("the bus went quiet")
        );
        assert_eq!(read["recording"]["bus"][0]["dropped"].as_integer(), Some(2));
        assert_eq!(last.matches(MARKER).count(), 1);
    }

    #[test]
    fn a_file_without_the_marker_is_all_the_persons() {
        let text = whole("notes = \"mine\"\n", &record(None));
        assert!(text.starts_with("notes = \"mine\"\n\n# Below"));
        text.parse::<toml::Table>().unwrap();
    }
}
