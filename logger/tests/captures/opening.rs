//! Files of every kind, opened by their path.

use std::fs::{self, File};
use std::io::Write;
use std::ops::ControlFlow;
use std::path::PathBuf;

use slipwright_logger::capture::{
    ByteOrder, Capture, CaptureError, Ending, Event, Looks, Problem, Summary,
};
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
