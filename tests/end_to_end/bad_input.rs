//! Bad input, each kind once: refused with one plain line and exit code 2, or worked with and said.

use std::fs;
use std::path::Path;

use crate::captures::{CYCLE_S, CaptureBytes, DECODER, START_NS, SmallCar, VEHICLE, write_car};
use crate::json::{Compared, Measured};
use crate::program::{Run, slipwright};

/// A folder with the small car's files and one two-launch drive.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    write_car(folder.path());
    fs::write(
        folder.path().join("drive.pcapng"),
        SmallCar::default().drive(2).bytes(),
    )
    .unwrap();
    folder
}

fn measure(folder: &Path, capture: &str) -> Run {
    let vehicle = folder.join("vehicle.toml");
    slipwright([
        "measure".as_ref(),
        folder.join(capture).as_os_str(),
        "--vehicle".as_ref(),
        vehicle.as_os_str(),
        "--json".as_ref(),
    ])
}

/// The refusal of a capture with these bytes, without the folder's own name.
fn refusal(bytes: &[u8]) -> String {
    let folder = folder();
    fs::write(folder.path().join("bad.pcapng"), bytes).unwrap();
    plain(&measure(folder.path(), "bad.pcapng"), folder.path())
}

fn plain(run: &Run, folder: &Path) -> String {
    run.refused().replace(&format!("{}/", folder.display()), "")
}

#[test]
fn captures_that_are_none() {
    let folder = folder();
    insta::assert_snapshot!(plain(&measure(folder.path(), "absent.pcapng"), folder.path()), @"absent.pcapng: no such file; check the name");
    fs::create_dir(folder.path().join("folder.pcapng")).unwrap();
    insta::assert_snapshot!(plain(&measure(folder.path(), "folder.pcapng"), folder.path()), @"folder.pcapng: it is a folder; name a capture in it");
    insta::assert_snapshot!(refusal(b""), @"bad.pcapng: the file is empty");
    insta::assert_snapshot!(refusal(b"t_ns,signal,value,unit\n1,a,2,m/s\n"), @"bad.pcapng: not a capture: it is a text file; a pcapng file is needed, or a layout that says how its lines are read");
    insta::assert_snapshot!(refusal(CaptureBytes::new(1).bytes()), @"bad.pcapng: wrong link type: the capture holds Ethernet (link type 1), not CAN (link type 227); record it from a CAN interface");
    insta::assert_snapshot!(refusal(CaptureBytes::new(227).bytes()), @"bad.pcapng: the capture holds no CAN frame; record a drive");
}

/// Block types and fields of the pcapng draft, sections 4.1 to 4.4; zstd frames of RFC 8878, 3.1.1.
#[test]
fn captures_without_a_readable_frame_say_why() {
    let good = SmallCar::default().drive(1);
    let changed = |at: usize, byte: u8| {
        let mut bytes = good.bytes().to_vec();
        bytes[at] = byte;
        bytes
    };
    insta::assert_snapshot!(refusal(&changed(12, 2)), @"bad.pcapng: no CAN frame could be read: at byte 0, a section of format version 2 begins here; only version 1 is known; write it in version 1");
    insta::assert_snapshot!(refusal(&changed(24, 99)), @"bad.pcapng: no CAN frame could be read: the capture is damaged at byte 0, before its first frame: the block length is 28 before the block and 99 after it; copy it again from where it was recorded");
    insta::assert_snapshot!(refusal(&changed(64, 99)), @"bad.pcapng: no CAN frame could be read: the capture is damaged at byte 28, before its first frame: the block length is 40 before the block and 99 after it; copy it again from where it was recorded");
    insta::assert_snapshot!(refusal(&good.bytes()[..90]), @"bad.pcapng: no CAN frame could be read: the capture is cut off at byte 68, before the end of its first frame; copy it again from where it was recorded");
    let mut simple = CaptureBytes::new(227);
    for n in 0..3 {
        // Length on the bus, then a SocketCAN packet of eight bytes: no room for a time.
        simple.block(3, &[8, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, n]);
    }
    insta::assert_snapshot!(refusal(simple.bytes()), @"bad.pcapng: no CAN frame with a time: 3 packets without a time stamp; record it with time stamps");
    // One raw block that is the last, its content's length in one byte, and a wrong checksum.
    let headers = CaptureBytes::new(227);
    let content = headers.bytes();
    let mut packed = vec![0x28, 0xB5, 0x2F, 0xFD, 0x24, content.len() as u8];
    packed.extend(&((content.len() as u32) << 3 | 1).to_le_bytes()[..3]);
    packed.extend(content);
    let cut = refusal(&packed[..packed.len() - 8]);
    assert!(
        cut.contains("no CAN frame could be read: the capture is cut off at byte "),
        "{cut}"
    );
    packed.extend([0; 4]);
    insta::assert_snapshot!(refusal(&packed), @"bad.pcapng: no CAN frame could be read: the zstd compression is damaged before its first frame; copy it again from where it was recorded");
}

#[test]
fn a_cut_capture_is_read_to_its_last_whole_block_and_says_so() {
    let folder = folder();
    let whole = SmallCar::default().drive(2);
    fs::write(
        folder.path().join("cut.pcapng"),
        &whole.bytes()[..whole.bytes().len() - 20],
    )
    .unwrap();
    let run = measure(folder.path(), "cut.pcapng");
    assert_eq!(run.code, 0, "{}", run.err);
    let all: Measured = measure(folder.path(), "drive.pcapng").json();
    let cut: Measured = run.json();
    assert_eq!(cut.drives[0].frames, all.drives[0].frames - 1);
    assert_eq!(cut.drives[0].engagements.len(), 2);
    assert!(
        cut.drives[0].warnings.iter().any(|w| w.contains("cut off")),
        "{:?}",
        cut.drives[0].warnings
    );
}

#[test]
fn every_decoder_file_of_the_gallery_is_refused_with_its_line() {
    let gallery = crate::program::root().join("tests/bad-input");
    let mut names: Vec<String> = fs::read_dir(&gallery)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with("decoder-"))
        .collect();
    names.sort();
    assert!(names.len() >= 10, "the gallery holds {} files", names.len());
    let folder = folder();
    let mut text = String::new();
    for name in names {
        let run = slipwright([
            "decode".as_ref(),
            folder.path().join("drive.pcapng").as_os_str(),
            "--decoder".as_ref(),
            gallery.join(&name).as_os_str(),
            "--out".as_ref(),
            folder.path().join("out.csv").as_os_str(),
        ]);
        let line = run
            .refused()
            .replace(&format!("{}/", gallery.display()), "");
        assert!(line.starts_with(&name), "{line}");
        text.push_str(&line);
        text.push('\n');
    }
    insta::assert_snapshot!(text);
    assert!(!folder.path().join("out.csv").exists());
}

#[test]
fn a_missing_vehicle_key_costs_only_the_measures_that_need_it() {
    let folder = folder();
    let without = VEHICLE.replace("piston_area_m2 = 0.004\n", "");
    fs::write(folder.path().join("vehicle.toml"), without).unwrap();
    let run = measure(folder.path(), "drive.pcapng");
    assert_eq!(run.code, 0, "{}", run.err);
    let measured: Measured = run.json();
    assert_eq!(measured.drives[0].engagements.len(), 2);
    for engagement in &measured.drives[0].engagements {
        assert_eq!(engagement.friction_work_j.value, None);
        let why = engagement.friction_work_j.why.as_deref().unwrap();
        assert!(why.contains("coupling.piston_area_m2"), "{why}");
        assert!(engagement.peak_slip_mps.value.is_some());
        assert!(engagement.engagement_delay_ms.value.is_some());
    }
}

#[test]
fn a_vehicle_file_that_is_wrong_is_refused_with_its_line() {
    let folder = folder();
    let wrong = VEHICLE.replace("wheelbase_m = 2.5", "wheel_base_m = 2.5");
    fs::write(folder.path().join("vehicle.toml"), wrong).unwrap();
    insta::assert_snapshot!(plain(&measure(folder.path(), "drive.pcapng"), folder.path()), @r#"vehicle.toml:5: unknown key "wheel_base_m"; use "wheelbase_m", "track_front_m", "track_rear_m""#);
    fs::write(
        folder.path().join("vehicle.toml"),
        VEHICLE.replace("decoder.toml", "gone.toml"),
    )
    .unwrap();
    insta::assert_snapshot!(plain(&measure(folder.path(), "drive.pcapng"), folder.path()), @"gone.toml: no such file; check the name");
}

#[test]
fn a_capture_without_the_decoders_frames_names_the_ones_it_has() {
    let folder = folder();
    let other = DECODER.replace("0x100", "0x300").replace("0x110", "0x310");
    fs::write(folder.path().join("decoder.toml"), other).unwrap();
    insta::assert_snapshot!(plain(&measure(folder.path(), "drive.pcapng"), folder.path()), @"drive.pcapng: none of the frames of decoder.toml occurs; the capture has 0x100 on can0, 0x110 on can0; check that the decoder file belongs to this car and bus");
}

#[test]
fn wheels_alone_still_give_slip() {
    let folder = folder();
    let drive = SmallCar {
        with_coupling: false,
        ..SmallCar::default()
    }
    .drive(2);
    fs::write(folder.path().join("wheels.pcapng"), drive.bytes()).unwrap();
    let run = measure(folder.path(), "wheels.pcapng");
    assert_eq!(run.code, 0, "{}", run.err);
    let measured: Measured = run.json();
    let engagements = &measured.drives[0].engagements;
    assert_eq!(engagements.len(), 2);
    for engagement in engagements {
        assert_eq!(engagement.reference, "slip");
        // The drive's slip is 1.5 m/s times x exp(1 - x), whose peak is 1.5 m/s.
        let peak = engagement.peak_slip_mps.value.unwrap();
        assert!((peak - 1.5).abs() < 0.05, "{peak}");
        assert_eq!(engagement.engagement_delay_ms.value, None);
        assert!(engagement.engagement_delay_ms.why.is_some());
    }
}

#[test]
fn clocks_that_step_backwards_are_refused_with_the_place() {
    let folder = folder();
    let mut capture = SmallCar::default().drive(1);
    capture.frame(START_NS + 20_000_000_000, 0x100, &[0; 8]);
    fs::write(folder.path().join("back.pcapng"), capture.bytes()).unwrap();
    insta::assert_snapshot!(plain(&measure(folder.path(), "back.pcapng"), folder.path()), @"back.pcapng: the clock steps back by 9.991 s at frame 6001 (byte 276068); cut the capture there and give the parts one by one");
}

fn compare(folder: &Path, before: &[&str], after: &[&str]) -> Run {
    let mut arguments = vec!["compare".into(), "--before".into()];
    arguments.extend(before.iter().map(|name| folder.join(name).into_os_string()));
    arguments.push("--after".into());
    arguments.extend(after.iter().map(|name| folder.join(name).into_os_string()));
    arguments.extend([
        "--vehicle".into(),
        folder.join("vehicle.toml").into_os_string(),
    ]);
    arguments.extend([
        "--json".into(),
        "--out".into(),
        folder.join("report").into_os_string(),
    ]);
    slipwright(arguments)
}

#[test]
fn the_same_drive_on_both_sides_is_refused() {
    let folder = folder();
    fs::copy(
        folder.path().join("drive.pcapng"),
        folder.path().join("copy.pcapng"),
    )
    .unwrap();
    let run = compare(folder.path(), &["drive.pcapng"], &["drive.pcapng"]);
    insta::assert_snapshot!(plain(&run, folder.path()), @"drive.pcapng: given twice; a drive can stand in the comparison only once");
    let run = compare(folder.path(), &["drive.pcapng"], &["copy.pcapng"]);
    insta::assert_snapshot!(plain(&run, folder.path()), @"copy.pcapng: holds the same drive as drive.pcapng; a drive can stand in the comparison only once");
}

#[test]
fn sides_that_look_swapped_are_said() {
    let folder = folder();
    let day_ns = 86_400_000_000_000;
    for (name, days, time_constant_s) in [
        ("a", 0, 0.05),
        ("b", 1, 0.05),
        ("c", 8, 0.06),
        ("d", 9, 0.06),
    ] {
        let start_ns = START_NS + days * day_ns;
        let drive = SmallCar {
            start_ns,
            time_constant_s,
            ..SmallCar::default()
        }
        .drive(3);
        fs::write(folder.path().join(format!("{name}.pcapng")), drive.bytes()).unwrap();
    }
    let run = compare(
        folder.path(),
        &["c.pcapng", "d.pcapng"],
        &["a.pcapng", "b.pcapng"],
    );
    let compared: Compared = run.json();
    assert!(
        compared.warnings.iter().any(|w| w.contains("swapped")),
        "{:?}",
        compared.warnings
    );
    let right = compare(
        folder.path(),
        &["a.pcapng", "b.pcapng"],
        &["c.pcapng", "d.pcapng"],
    );
    let compared: Compared = right.json();
    assert!(
        !compared.warnings.iter().any(|w| w.contains("swapped")),
        "{:?}",
        compared.warnings
    );
}

#[test]
fn hostile_file_names_are_shown_literally() {
    let folder = folder();
    let hostile = "a \"quoted\" <script>alert('x')</script> &amp; name.pcapng";
    // A slash cannot be part of a file name.
    let hostile = hostile.replace('/', "\\");
    fs::write(
        folder.path().join(&hostile),
        SmallCar::default().drive(2).bytes(),
    )
    .unwrap();
    let later = SmallCar {
        start_ns: START_NS + 86_400_000_000_000,
        ..SmallCar::default()
    };
    fs::write(folder.path().join("after.pcapng"), later.drive(2).bytes()).unwrap();
    let run = compare(folder.path(), &[&hostile], &["after.pcapng"]);
    assert!(run.code < 2, "{}", run.err);
    let page = fs::read_to_string(folder.path().join("report/report.html")).unwrap();
    assert!(!page.contains("<script>alert"));
    assert!(
        page.contains("&lt;script&gt;alert"),
        "the name is on the page as it is"
    );
    assert!(page.contains("&amp;amp; name.pcapng"));
}

#[test]
fn one_bad_capture_does_not_cost_the_others() {
    let folder = folder();
    fs::write(folder.path().join("empty.pcapng"), b"").unwrap();
    let run = slipwright([
        "measure".as_ref(),
        folder.path().join("empty.pcapng").as_os_str(),
        folder.path().join("drive.pcapng").as_os_str(),
        "--vehicle".as_ref(),
        folder.path().join("vehicle.toml").as_os_str(),
        "--json".as_ref(),
    ]);
    assert_eq!(run.code, 2);
    let measured: Measured = run.json();
    assert_eq!(measured.drives.len(), 1);
    assert!((measured.drives[0].duration_s - 2.0 * CYCLE_S).abs() < 0.1);
    assert!(run.err.contains("empty.pcapng"), "{}", run.err);
}
