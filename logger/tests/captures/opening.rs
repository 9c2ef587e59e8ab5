//! Files of every kind, opened by their path.

use std::fs::{self, File};
use std::io::Write;
use std::ops::ControlFlow;
use std::path::PathBuf;

use slipwright_logger::capture::{
    ByteOrder, Capture, CaptureError, Ending, Event, Looks, Problem, Summary,
};
use slipwright_logger::text_log::Layout;
use tempfile::TempDir;

use crate::files::{Builder, Told, classic, everything, told};

fn file(content: &[u8]) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a drive's \"file\" <b>.pcapng");
    fs::write(&path, content).unwrap();
    (folder, path)
}

fn read(path: impl Into<PathBuf>) -> Result<(Vec<Told>, Summary), CaptureError> {
    let mut all = Vec::new();
    let summary = Capture::open(path.into())?.read(|event| {
        all.push(event.into());
        ControlFlow::Continue(())
    })?;
    Ok((all, summary))
}

fn problem(content: &[u8]) -> Problem {
    let (_folder, path) = file(content);
    let error = read(&path).unwrap_err();
    assert_eq!(error.path, path);
    assert!(
        error
            .to_string()
            .starts_with(&format!("{}: ", path.display())),
        "{error}"
    );
    error.problem
}

#[test]
fn plain_and_packed_files_tell_the_same() {
    let bytes = everything(ByteOrder::Little).bytes;
    let expected = told(&bytes);
    let expected = (expected.0, expected.1.unwrap());
    let (_folder, path) = file(&bytes);
    assert_eq!(read(&path).unwrap(), expected);
    // By content, not by name.
    fs::write(&path, zstd::encode_all(&bytes[..], 3).unwrap()).unwrap();
    assert_eq!(read(&path).unwrap(), expected);
    let capture = Capture::open(&path).unwrap();
    let progress = capture.progress();
    assert_eq!(
        progress.total_bytes(),
        Some(fs::metadata(&path).unwrap().len())
    );
    capture.read(|_| ControlFlow::Continue(())).unwrap();
    assert_eq!(Some(progress.done_bytes()), progress.total_bytes());
    // Packed in several frames, with one that readers skip, as some tools do.
    let (one, two) = bytes.split_at(100);
    let mut packed = vec![0x50, 0x2A, 0x4D, 0x18, 3, 0, 0, 0, 1, 2, 3];
    packed.extend(zstd::encode_all(one, 3).unwrap());
    packed.extend(zstd::encode_all(two, 19).unwrap());
    fs::write(&path, packed).unwrap();
    assert_eq!(read(&path).unwrap(), expected);
}

#[test]
fn a_file_longer_than_any_window_is_read_across_it() {
    let mut builder = Builder::default();
    builder.section(ByteOrder::Little, &[]).bus("can0");
    // Blocks of 44 bytes, so that they do not fall into step with any window.
    for n in 0..250_000u64 {
        builder.packet(0, n, &classic((n % 0x800) as u32, &[1, 2, 3, 4])[..12], &[]);
    }
    let (_folder, path) = file(&builder.bytes);
    let mut next = 0;
    let capture = Capture::open(&path).unwrap();
    let progress = capture.progress();
    assert_eq!(progress.total_bytes(), Some(builder.bytes.len() as u64));
    let mut seen = Vec::new();
    let summary = capture.read(|event| {
        if let Event::Frame(frame) = event {
            assert_eq!(frame.t_ns, next);
            next += 1;
            seen.push(progress.done_bytes());
        }
        ControlFlow::Continue(())
    });
    assert_eq!(summary.unwrap().frames, 250_000);
    assert!(seen.is_sorted());
    seen.dedup();
    assert!(seen.len() > 1, "{seen:?}");
    assert_eq!(Some(progress.done_bytes()), progress.total_bytes());
}

/// Sections, buses, marks, a step of the clock, and more of each in later parts of the file.
fn several_windows_long() -> Vec<u8> {
    let mut builder = Builder::default();
    for section in 0..4u64 {
        let order = match section % 2 {
            0 => ByteOrder::Little,
            _ => ByteOrder::Big,
        };
        builder.section(order, &[]).bus("can0").bus("can1");
        for n in 0..120_000u64 {
            let stamp = section * 1_000_000_000 + n;
            let packet = classic((n % 0x800) as u32, &[1, 2, 3, 4]);
            builder.packet((n % 2) as u32, stamp, &packet[..12 + (n % 5) as usize], &[]);
            if n % 50_000 == 7 {
                builder.packet(1, stamp, &[], &[(1, b"a mark")]);
            }
        }
        builder
            .bus("late")
            .packet(2, 5, &classic(7, &[])[..12], &[]);
    }
    builder.bytes
}

#[test]
fn the_parts_of_a_capture_are_the_whole() {
    let whole = several_windows_long();
    let damaged = {
        let mut bytes = whole.clone();
        let at = bytes.len() * 2 / 5;
        bytes[at..at + 200].fill(0x55);
        bytes
    };
    for content in [&whole[..], &whole[..whole.len() - 3], &damaged] {
        let (_folder, path) = file(content);
        let (expected, summary) = read(&path).unwrap();
        let is_context = |told: &Told| matches!(told, Told::Section(_) | Told::Bus(..));
        let mut at_once = Vec::new();
        for count in 1..=6 {
            let parts = Capture::open(&path).unwrap().in_parts(count);
            at_once.push(parts.len());
            let (mut all, mut last) = (Vec::new(), None);
            for part in parts {
                let progress = part.progress();
                let mut own: Vec<Told> = Vec::new();
                let told = part.read(|event| {
                    own.push(event.into());
                    ControlFlow::Continue(())
                });
                // What comes again is known already, from its beginning.
                let known: Vec<&Told> = all.iter().filter(|told| is_context(told)).collect();
                let again = own.iter().filter(|told| is_context(told)).take(known.len());
                assert!(known.into_iter().eq(again));
                let mut passed = all.iter().filter(|told| is_context(told)).count();
                own.retain(|told| {
                    let is_again = is_context(told) && passed > 0;
                    passed -= usize::from(is_again);
                    !is_again
                });
                all.extend(own);
                last = Some((told.unwrap(), progress));
            }
            assert!(all == expected, "{count} parts");
            let (last, progress) = last.unwrap();
            assert_eq!(last, summary);
            if summary.ending == Ending::Whole {
                assert_eq!(progress.total_bytes(), Some(content.len() as u64));
                assert_eq!(Some(progress.done_bytes()), progress.total_bytes());
            }
        }
        assert_eq!(at_once[..2], [1, 2]);
        assert!(at_once[5] > 3, "{at_once:?}");
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_pipe_is_read() {
    use std::os::fd::AsRawFd;
    for packed in [false, true] {
        let mut bytes = everything(ByteOrder::Big).bytes;
        let expected = told(&bytes).0;
        if packed {
            bytes = zstd::encode_all(&bytes[..], 3).unwrap();
        }
        let (reader, mut writer) = std::io::pipe().unwrap();
        let path = format!("/proc/self/fd/{}", reader.as_raw_fd());
        let feeder = std::thread::spawn(move || {
            for piece in bytes.chunks(10) {
                writer.write_all(piece).unwrap();
            }
        });
        let capture = Capture::open(path).unwrap();
        let progress = capture.progress();
        assert_eq!(progress.total_bytes(), None);
        drop(reader);
        let mut all: Vec<Told> = Vec::new();
        let summary = capture.read(|event| {
            all.push(event.into());
            ControlFlow::Continue(())
        });
        feeder.join().unwrap();
        assert_eq!(summary.unwrap().ending, Ending::Whole);
        assert_eq!(all, expected);
        assert!(progress.done_bytes() > 0);
    }
}

#[test]
fn the_caller_may_stop_anywhere() {
    let bytes = everything(ByteOrder::Little).bytes;
    let whole = told(&bytes).0;
    let (_folder, path) = file(&bytes);
    for stop in 1..=whole.len() {
        let mut all: Vec<Told> = Vec::new();
        let summary = Capture::open(&path).unwrap().read(|event| {
            all.push(event.into());
            if all.len() == stop {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        });
        assert_eq!(summary.unwrap().ending, Ending::Stopped, "{stop}");
        assert_eq!(all, whole[..stop], "{stop}");
    }
}

#[test]
fn what_is_no_capture_is_told_for_what_it_is() {
    assert!(matches!(problem(b""), Problem::Empty));
    assert!(matches!(
        problem(&zstd::encode_all(&b""[..], 3).unwrap()),
        Problem::Empty
    ));
    for (content, looks) in [
        (&b"t_s,speed\n0.0,12.5\n"[..], Looks::Text),
        (b"\n\r\r\nblank lines, then text", Looks::Unknown),
        (&[0x1F, 0x8B, 8, 0, 0, 0, 0, 0], Looks::Gzip),
        (&[0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0], Looks::Pcap),
        (&[0; 100], Looks::Unknown),
    ] {
        for content in [content.to_vec(), zstd::encode_all(content, 3).unwrap()] {
            match problem(&content) {
                Problem::NotACapture(seen) => assert_eq!(seen, looks),
                other => panic!("{other}"),
            }
        }
    }
}

#[test]
fn a_capture_of_another_network_is_told_for_what_it_is() {
    let mut builder = Builder::default();
    builder
        .section(ByteOrder::Little, &[])
        .interface(1, &[])
        .interface(147, &[])
        .interface(1, &[]);
    builder.packet(0, 1, &[0xAA; 60], &[]);
    match problem(&builder.bytes) {
        Problem::WrongLinkType(types) => assert_eq!(types, [1, 147]),
        other => panic!("{other}"),
    }
    // With a CAN bus beside them they are passed over.
    builder.bus("can0");
    let (_folder, path) = file(&builder.bytes);
    assert_eq!(read(&path).unwrap().1.skipped.other_link_type, 1);
    // Nothing is wrong with a recorder that was stopped before its first interface.
    let mut builder = Builder::default();
    builder.section(ByteOrder::Little, &[]);
    let (_folder, path) = file(&builder.bytes);
    assert_eq!(read(&path).unwrap().1.frames, 0);
}

#[test]
fn what_cannot_be_opened_is_said_plainly() {
    let folder = tempfile::tempdir().unwrap();
    let text = |path: PathBuf| {
        let name = format!("{}: ", path.display());
        Capture::open(path)
            .err()
            .unwrap()
            .to_string()
            .replace(&name, "")
    };
    assert_eq!(
        text(folder.path().join("missing.pcapng")),
        "no such file; check the name"
    );
    assert_eq!(
        text(folder.path().to_owned()),
        "it is a folder; name a capture in it"
    );
}

#[test]
fn a_file_that_grows_is_read_as_far_as_it_goes() {
    let (_folder, path) = file(&everything(ByteOrder::Little).bytes);
    let before = read(&path).unwrap();
    let mut more = Builder::default();
    more.packet(0, 2_000_000_000, &classic(5, &[]), &[]);
    let mut growing = File::options().append(true).open(&path).unwrap();
    let capture = Capture::open(&path).unwrap();
    growing.write_all(&more.bytes[..30]).unwrap();
    let summary = capture.read(|_| ControlFlow::Continue(())).unwrap();
    assert_eq!(summary, before.1);
    let now = read(&path).unwrap().1;
    assert!(matches!(now.ending, Ending::Cut { .. }));
    growing.write_all(&more.bytes[30..]).unwrap();
    assert_eq!(read(&path).unwrap().1.frames, before.1.frames + 1);
}

/// Needs Linux 5.14: on an older one the whole test would end by a bus error.
#[cfg(target_os = "linux")]
#[test]
fn a_file_that_is_made_shorter_while_it_is_read_is_an_error() {
    let mut builder = Builder::default();
    builder.section(ByteOrder::Little, &[]).bus("can0");
    for n in 0..250_000u64 {
        builder.packet(0, n, &classic(1, &[1, 2, 3, 4, 5, 6, 7, 8]), &[]);
    }
    let (_folder, path) = file(&builder.bytes);
    let mut frames = 0;
    let read = Capture::open(&path).unwrap().read(|event| {
        if let Event::Frame(_) = event {
            frames += 1;
        }
        if frames == 1 {
            // Enough is left for what is being read at the moment.
            File::options()
                .write(true)
                .open(&path)
                .unwrap()
                .set_len(8 << 20)
                .unwrap();
        }
        ControlFlow::Continue(())
    });
    match read.unwrap_err().problem {
        Problem::Read { offset, .. } => assert!(offset <= 8 << 20, "{offset}"),
        other => panic!("{other}"),
    }
    assert!(frames > 1);
}

#[cfg(target_os = "linux")]
#[test]
fn a_text_log_is_read_from_a_pipe_to_its_first_line() {
    use std::os::fd::AsRawFd;
    let layout = Layout::parse(include_str!("../../text-layouts/semicolons.toml")).unwrap();
    let text: String = (0..100_000)
        .map(|n| format!("{n};drive;0F2;1;00\n"))
        .collect();
    for packed in [false, true] {
        let bytes = match packed {
            true => zstd::encode_all(text.as_bytes(), 3).unwrap(),
            false => text.clone().into_bytes(),
        };
        let (reader, mut writer) = std::io::pipe().unwrap();
        let feeder = std::thread::spawn(move || writer.write_all(&bytes));
        let path = format!("/proc/self/fd/{}", reader.as_raw_fd());
        let capture = Capture::open_text(path, &layout).unwrap();
        drop(reader);
        let summary = capture.read(|_| ControlFlow::Continue(())).unwrap();
        feeder.join().unwrap().unwrap();
        assert_eq!((summary.frames, summary.first_ns), (100_000, Some(0)));
        assert_eq!(summary.text.unwrap().lines, 100_000);
    }
}
