//! Compression: of closed files, and while writing.

use std::fs;
use std::io::Write;
use std::ops::ControlFlow;

use slipwright_decoders::frame::{CanId, Frame, FrameFlags};
use slipwright_logger::capture::{
    ByteOrder, Capture, CaptureWriter, Compressed, NewBus, Section, compress_closed,
};

use crate::files::everything;

/// Any zstd tool reads a file that is one frame from end to end and unpacks to the content; here
/// the tool is zstd's own library.
fn check_packed(packed: &[u8], content: &[u8]) {
    assert_eq!(zstd::decode_all(packed).unwrap(), content);
    let frame = zstd::zstd_safe::find_frame_compressed_size(packed).unwrap();
    assert_eq!(frame, packed.len(), "one frame");
    // Bit 2 of the frame header descriptor (RFC 8878, 3.1.1.1.1) flags the checksum.
    assert_eq!(packed[4] & 4, 4, "has a checksum");
}

#[test]
fn a_closed_file_is_packed_and_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.pcapng");
    let content = everything(ByteOrder::Little).bytes.repeat(1000);
    for content in [&content[..], &[]] {
        fs::write(&path, content).unwrap();
        let packed = compress_closed(&path).unwrap();
        assert_eq!(packed, folder.path().join("drive.pcapng.zst"));
        let bytes = fs::read(&packed).unwrap();
        check_packed(&bytes, content);
        let size = zstd::zstd_safe::get_frame_content_size(&bytes).unwrap();
        assert_eq!(size, Some(content.len() as u64));
        let left: Vec<_> = fs::read_dir(folder.path()).unwrap().collect();
        assert_eq!(left.len(), 1, "{left:?}");
        fs::remove_file(packed).unwrap();
    }
}

#[test]
fn a_crashed_packing_is_done_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.pcapng");
    fs::write(&path, b"whatever").unwrap();
    fs::write(
        folder.path().join("drive.pcapng.zst.part"),
        vec![0; 100_000],
    )
    .unwrap();
    let packed = compress_closed(&path).unwrap();
    check_packed(&fs::read(packed).unwrap(), b"whatever");
}

#[test]
fn a_packing_that_lacked_only_the_removal_is_finished() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.pcapng");
    let content = everything(ByteOrder::Little).bytes.repeat(1000);
    fs::write(&path, &content).unwrap();
    let packed = compress_closed(&path).unwrap();
    let before = fs::read(&packed).unwrap();
    fs::write(&path, &content).unwrap();
    assert_eq!(compress_closed(&path).unwrap(), packed);
    assert!(!path.exists());
    assert_eq!(fs::read(&packed).unwrap(), before);
    // Not if a single byte differs, or is missing at either's end.
    for other in [
        [&content[..], &[0]].concat(),
        content[1..].to_vec(),
        vec![],
        vec![7],
    ] {
        fs::write(&path, &other).unwrap();
        compress_closed(&path).unwrap_err();
        assert_eq!(fs::read(&path).unwrap(), other);
        assert_eq!(fs::read(&packed).unwrap(), before);
    }
}

#[test]
fn nothing_is_packed_over_another_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.pcapng");
    let packed = folder.path().join("drive.pcapng.zst");
    fs::write(&path, b"new").unwrap();
    fs::write(&packed, b"old").unwrap();
    let error = compress_closed(&path).unwrap_err().to_string();
    let expected = format!(
        "{}: cannot be compressed: {} is there already and holds something else",
        path.display(),
        packed.display()
    );
    assert_eq!(error, expected);
    assert_eq!(
        (fs::read(path).unwrap(), fs::read(packed).unwrap()),
        (b"new".to_vec(), b"old".to_vec())
    );
    let error = compress_closed(folder.path().join("missing"))
        .unwrap_err()
        .to_string();
    assert!(
        error.ends_with("cannot be compressed: no such file; check the name"),
        "{error}"
    );
}

#[test]
fn a_capture_is_packed_while_it_is_written() {
    let write = || {
        let packed = Compressed::new(Vec::new()).unwrap();
        let mut writer = CaptureWriter::new(packed, &Section::ours()).unwrap();
        let bus = writer.add_bus(&NewBus::named("can0")).unwrap();
        for n in 0..10_000u32 {
            let (id, flags) = (CanId::Base(1), FrameFlags::default());
            let data = &n.to_be_bytes();
            writer
                .write_frame(&Frame {
                    t_ns: n.into(),
                    bus,
                    id,
                    flags,
                    data,
                })
                .unwrap();
            writer.flush().unwrap();
        }
        writer.finish().unwrap().finish().unwrap()
    };
    let packed = write();
    assert_eq!(packed, write(), "the same bytes each time");
    assert!(packed.len() < 10_000 * 8, "{} bytes", packed.len());
    check_packed(&packed, &zstd::decode_all(&packed[..]).unwrap());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.pcapng.zst");
    fs::File::create(&path).unwrap().write_all(&packed).unwrap();
    let summary = Capture::open(path)
        .unwrap()
        .read(|_| ControlFlow::Continue(()))
        .unwrap();
    assert_eq!((summary.frames, summary.ending.is_whole()), (10_000, true));
}
