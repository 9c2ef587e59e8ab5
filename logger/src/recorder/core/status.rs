//! The live state, put together when somebody asks.

use super::super::clock::Reading;
use super::super::live::{DriveStatus, Status};
use super::super::store::Store;
use super::Recorder;
use super::drive::utc;

impl<S: Store> Recorder<S> {
    /// The live state.
    #[must_use]
    pub fn status(&self, now: Reading) -> Status {
        let report = self.store.report();
        let rate = self.drive.as_ref().map(|drive| {
            let seconds = (self.timeline.at(now.boot_ns) - drive.start_ns).max(1) as f64 / 1e9;
            drive.bytes as f64 / seconds
        });
        let names: Vec<String> = self.buses.iter().map(|bus| bus.name.clone()).collect();
        let live = self
            .signals
            .as_ref()
            .map(|signals| signals.now(now.boot_ns, &names));
        let (signals, slip) = live.map_or((Vec::new(), None), |(s, slip)| (s, Some(slip)));
        let usable = report
            .free_bytes
            .map(|free| free.saturating_sub(self.plan.keep_free_bytes));
        Status {
            state: if self.drive.is_some() {
                "recording"
            } else {
                "waiting"
            }
            .to_owned(),
            out: self.plan.out.display().to_string(),
            drive: self.drive.as_ref().map(|drive| DriveStatus {
                folder: drive.name.clone(),
                file: self
                    .file
                    .as_ref()
                    .map(|f| f.name.clone())
                    .unwrap_or_default(),
                start_utc: utc(drive.start_ns),
                length_s: (self.timeline.at(now.boot_ns) - drive.start_ns) as f64 / 1e9,
                frames: drive.frames,
                synced_frames: report.synced_frames,
                bytes: drive.bytes,
                marks: drive.marks,
            }),
            buses: self
                .buses
                .iter()
                .filter(|b| !b.is_guest)
                .map(|b| b.status(now))
                .collect(),
            signals,
            slip_mps: slip.as_ref().and_then(|slip| slip.as_ref().ok().copied()),
            slip_why: slip.and_then(Result::err),
            disk_free_bytes: report.free_bytes,
            disk_left_s: match (usable, rate) {
                (Some(usable), Some(rate)) if rate > 0.0 => Some(usable as f64 / rate),
                _ => None,
            },
            warnings: self.warnings.clone(),
            ..Status::default()
        }
    }
}
