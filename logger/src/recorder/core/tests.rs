//! Whole recordings on handed-in time: a source in memory, a disk in memory, clocks that the test
//! moves. What the disk would hold is read back by the capture reader.

use std::ops::ControlFlow;

use super::*;
use crate::capture::{Event, read_bytes};
use crate::recorder::source::{FrameSource, MemorySource, SourceError};
use crate::recorder::store::MemoryStore;

mod besides;
mod time;

const S: i64 = 1_000_000_000;
const MS: i64 = 1_000_000;
/// The wall time at boot, in these tests.
const BOOT_REAL_NS: i64 = 1_750_000_000 * S;

fn at(boot_ns: i64) -> Reading {
    Reading {
        boot_ns,
        awake_ns: boot_ns,
        real_ns: BOOT_REAL_NS + boot_ns,
        doubt_ns: 0,
    }
}

fn recorder() -> Recorder<MemoryStore> {
    let plan = Plan {
        out: PathBuf::from("drives"),
        limits: Limits {
            quiet_after_ns: 30 * S,
            file_bytes: 1 << 20,
            file_ns: 3_600 * S,
        },
        about: About::default(),
        compress: true,
        keep_free_bytes: 1_000,
    };
    Recorder::new(plan, MemoryStore::default(), at(0))
}

fn data(real_ns: i64, n: u32) -> Received {
    let mut bytes = [0; 64];
    bytes[..4].copy_from_slice(&n.to_le_bytes());
    Received {
        real_ns,
        hardware_ns: None,
        id: CanId::Base(0x123),
        flags: FrameFlags::default(),
        length: 4,
        bytes,
    }
}

fn error_frame(real_ns: i64) -> Received {
    let flags = FrameFlags {
        error: true,
        ..FrameFlags::default()
    };
    Received {
        id: CanId::Extended(4),
        flags,
        length: 8,
        ..data(real_ns, 0)
    }
}

fn batch(frames: impl IntoIterator<Item = Received>) -> Batch {
    Batch {
        frames: frames.into_iter().collect(),
        dropped: None,
    }
}

/// One file as the disk would hold it.
#[derive(Debug, Default)]
struct Held {
    path: PathBuf,
    bytes: Vec<u8>,
    closed: bool,
    synced_bytes: usize,
}

fn disk(recorder: &Recorder<MemoryStore>) -> Vec<Held> {
    let mut files: Vec<Held> = Vec::new();
    for job in &recorder.store.jobs {
        match (job, files.last_mut()) {
            (Job::Open { path, head }, _) => files.push(Held {
                path: path.clone(),
                bytes: head.clone(),
                closed: false,
                synced_bytes: head.len(),
            }),
            (Job::Write(bytes), Some(file)) => file.bytes.extend(bytes),
            (Job::Sync { .. }, Some(file)) => file.synced_bytes = file.bytes.len(),
            (Job::Close { .. }, Some(file)) => {
                file.closed = true;
                file.synced_bytes = file.bytes.len();
            }
            _ => {}
        }
    }
    files
}

/// What a file holds: the numbers in its frames with their stamps, its marks, drops by bus.
#[derive(Debug, Default)]
struct Content {
    frames: Vec<(i64, u32)>,
    marks: Vec<String>,
    dropped: Vec<(usize, u64)>,
    delivered: u64,
    buses: Vec<String>,
}

fn content(bytes: &[u8]) -> Content {
    let mut content = Content::default();
    let summary = read_bytes(bytes, |event| {
        match event {
            Event::Frame(frame) if frame.data.len() == 4 => {
                content.frames.push((
                    frame.t_ns,
                    u32::from_le_bytes(frame.data.try_into().unwrap()),
                ));
            }
            Event::Bus(_, interface) => content.buses.push(interface.name.clone().unwrap()),
            Event::Mark(mark) => content.marks.push(mark.text.into_owned()),
            Event::Statistics(s) => {
                content
                    .dropped
                    .push((s.bus.as_usize(), s.dropped().unwrap()));
                content.delivered += s.delivered.unwrap();
            }
            _ => {}
        }
        ControlFlow::Continue(())
    })
    .unwrap();
    assert!(summary.ending.is_whole());
    content
}

#[test]
fn a_drive_is_what_came_between_waking_and_silence() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    let quiet = recorder.add_bus("can1");
    recorder.opened(bus, BusFacts::default(), at(0));
    recorder.opened(quiet, BusFacts::default(), at(0));
    // Trouble on a sleeping bus wakes nobody.
    recorder.frames(bus, &batch([error_frame(BOOT_REAL_NS + S)]), at(S));
    recorder.tick(at(2 * S));
    assert_eq!(disk(&recorder).len(), 0);
    for n in 0..100 {
        let t = 10 * S + i64::from(n) * 100 * MS;
        recorder.frames(bus, &batch([data(BOOT_REAL_NS + t, n)]), at(t + MS));
        recorder.tick(at(t + 2 * MS));
    }
    assert_eq!(recorder.status(at(20 * S)).state, "recording");
    for second in 20..=50 {
        recorder.tick(at(second * S));
    }
    assert_eq!(recorder.status(at(51 * S)).state, "waiting");
    let files = disk(&recorder);
    assert_eq!(files.len(), 1);
    assert!(files[0].closed);
    // 10 s after boot: 2025-06-15T15:06:50Z.
    assert!(
        files[0]
            .path
            .ends_with("2025-06-15T15-06-50Z/2025-06-15T15-06-50.000Z.pcapng"),
        "{files:?}"
    );
    let held = content(&files[0].bytes);
    let expected: Vec<(i64, u32)> = (0..100)
        .map(|n| (BOOT_REAL_NS + 10 * S + i64::from(n) * 100 * MS, n))
        .collect();
    assert_eq!(held.frames, expected);
    assert_eq!(held.buses, ["can0", "can1"]);
    assert_eq!(held.delivered, 100);
    let record = recorder.store.jobs.iter().rev().find_map(|job| match job {
        Job::Sidecar { record, .. } => Some(record.clone()),
        _ => None,
    });
    let record = record.unwrap();
    assert_eq!(
        (record.ended, record.buses[0].frames),
        (Some(End::Quiet), 100)
    );
    assert!((record.duration_s - 9.9).abs() < 1e-9);
}

#[test]
fn nothing_older_than_a_second_is_unsynced() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    let mut n = 0;
    // 30 s at 3,000 frames a second, read in batches of 60.
    for step in 0..300 {
        let now = S + step * 100 * MS;
        for chunk in 0..5 {
            let frames = (0..60).map(|i| {
                n += 1;
                data(
                    BOOT_REAL_NS + now - 100 * MS + (chunk * 60 + i) * 300_000,
                    n - 1,
                )
            });
            recorder.frames(bus, &batch(frames), at(now));
        }
        recorder.tick(at(now));
        let safe = recorder.store.report.synced_frames;
        assert!(u64::from(n) - safe < 3_000, "{n} came, {safe} are safe");
    }
    // What the recorder calls safe is in what the disk was told to sync.
    let synced: usize = disk(&recorder)
        .iter()
        .map(|file| content(&file.bytes[..file.synced_bytes]).frames.len())
        .sum();
    assert!(synced as u64 >= recorder.store.report.synced_frames);
}

#[test]
fn a_new_file_takes_up_where_the_last_one_ended() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    let mut n = 0;
    for step in 0..400 {
        let now = S + step * 100 * MS;
        let frames = (0..100).map(|i| {
            n += 1;
            data(BOOT_REAL_NS + now + i * MS, n - 1)
        });
        recorder.frames(bus, &batch(frames), at(now + 100 * MS));
        if step == 100 {
            recorder.next_file(at(now + 100 * MS));
        }
        recorder.tick(at(now + 100 * MS));
    }
    recorder.stop(End::Stopped, at(60 * S));
    let files = disk(&recorder);
    assert!(
        files.len() >= 3,
        "size and wish each begin a file: {}",
        files.len()
    );
    assert!(files.iter().all(|f| f.closed));
    assert!(files.is_sorted_by_key(|f| &f.path), "names sort by time");
    let all: Vec<u32> = files
        .iter()
        .flat_map(|f| content(&f.bytes).frames)
        .map(|(_, n)| n)
        .collect();
    assert_eq!(all, (0..n).collect::<Vec<_>>());
    let names: std::collections::BTreeSet<_> = files.iter().map(|f| &f.path).collect();
    assert_eq!(names.len(), files.len());
    assert_eq!(recorder.ended(), Some(End::Stopped));
}

#[test]
fn drops_are_counted_once_over_sockets_and_files() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    recorder.opened(bus, BusFacts::default(), at(S));
    let told = |dropped, n| Batch {
        dropped: Some(dropped),
        ..batch([data(0, n)])
    };
    // Asked for before the frames that came with it were read.
    recorder.dropped(bus, 4);
    recorder.frames(bus, &told(4, 0), at(S));
    recorder.frames(bus, &told(7, 1), at(2 * S));
    recorder.dropped(bus, 9);
    // Queued before the count was asked for: it knows of fewer.
    recorder.frames(bus, &told(8, 1), at(2 * S));
    recorder.next_file(at(3 * S));
    recorder.dropped(bus, 12);
    // The adapter is plugged in again: a new socket counts from nothing.
    recorder.state(bus, BusState::Gone, at(4 * S));
    recorder.opened(bus, BusFacts::default(), at(5 * S));
    recorder.frames(bus, &told(2, 2), at(6 * S));
    assert_eq!(recorder.status(at(6 * S)).buses[0].dropped, 14);
    recorder.stop(End::Stopped, at(7 * S));
    let files = disk(&recorder);
    assert_eq!(content(&files[0].bytes).dropped, [(0, 9)]);
    assert_eq!(content(&files[1].bytes).dropped, [(0, 5)]);
    let marks = content(&files[1].bytes).marks;
    assert!(
        marks.iter().any(|m| m.contains("can0 is back")),
        "{marks:?}"
    );
}

#[test]
fn a_full_disk_ends_the_drive_and_keeps_it() {
    for nearly in [false, true] {
        let mut recorder = recorder();
        let bus = recorder.add_bus("can0");
        recorder.frames(bus, &batch([data(BOOT_REAL_NS + S, 1)]), at(S));
        recorder.tick(at(S + 100 * MS));
        if nearly {
            recorder.store.report.free_bytes = Some(999);
        } else {
            let failure = Failure {
                end: End::DiskFull,
                message: "full".to_owned(),
            };
            recorder.store.report.failure = Some(failure);
        }
        recorder.tick(at(S + 200 * MS));
        assert_eq!(recorder.ended(), Some(End::DiskFull));
        recorder.frames(bus, &batch([data(BOOT_REAL_NS + 2 * S, 2)]), at(2 * S));
        let files = disk(&recorder);
        assert!(files.len() == 1 && files[0].closed);
        assert_eq!(content(&files[0].bytes).frames.len(), 1);
    }
}

#[test]
fn two_drives_in_one_second_have_two_folders() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    for _ in 0..2 {
        recorder.frames(bus, &batch([data(BOOT_REAL_NS + S, 1)]), at(S));
        let end = recorder.lifecycle.end(End::Quiet).unwrap();
        recorder.change(end, S, at(S));
    }
    let files = disk(&recorder);
    assert_ne!(files[0].path.parent(), files[1].path.parent());
}

#[tokio::test]
async fn a_source_in_memory_drives_the_recorder() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    let mut source = MemorySource::new([
        Ok(vec![data(BOOT_REAL_NS + S, 0), data(BOOT_REAL_NS + S, 1)]),
        Err(SourceError::Down),
        Ok(vec![data(BOOT_REAL_NS + 2 * S, 2)]),
        Err(SourceError::Gone),
    ])
    .with_dropped(3);
    let mut batch = Batch::new();
    let mut second = 1;
    loop {
        let now = at(second * S);
        match source.receive(&mut batch).await {
            Ok(()) => recorder.frames(bus, &batch, now),
            Err(SourceError::Down) => recorder.state(bus, BusState::Down, now),
            Err(_) => break,
        }
        second += 1;
    }
    recorder.stop(End::Stopped, at(9 * S));
    let held = content(&disk(&recorder)[0].bytes);
    assert_eq!(
        held.frames.iter().map(|f| f.1).collect::<Vec<_>>(),
        [0, 1, 2]
    );
    assert_eq!(held.dropped, [(0, 3)]);
    assert!(held.marks.iter().any(|m| m.contains("can0 is down")));
}
