//! What is kept comes back as it was, or not at all.

use slipwright_analysis::measures::Engagement;
use slipwright_decoders::signal::{Invalid, InvalidReason};
use slipwright_sample::random::{Purpose, Stream};

use super::*;
use crate::car::read_car;

fn sample(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-logs")
        .join(file)
}

fn capture() -> PathBuf {
    sample("before/before-2.pcapng.zst")
}

fn car() -> Car {
    read_car(&sample("vehicle.toml"), None).unwrap()
}

#[test]
fn signals_and_silences_come_back_to_the_last_bit() {
    let (capture, car) = (capture(), car());
    let (mut decoded, traffic) = Cache::Off.watched(&capture, &car).unwrap();
    let reasons = [
        InvalidReason::RawCode,
        InvalidReason::BelowMin,
        InvalidReason::AboveMax,
        InvalidReason::NotFinite,
        InvalidReason::FrameTooShort,
    ];
    // Of whatever kinds the sample has none.
    for (n, reason) in reasons.into_iter().enumerate() {
        let t_ns = i64::MIN + n as i64;
        decoded.signals.series[1]
            .invalid
            .push(Invalid { t_ns, reason });
    }
    decoded.signals.series[2].t_ns.clear();
    decoded.signals.series[2].value.clear();
    decoded
        .warnings
        .push("one \"quoted\" slipwright-seal-".to_owned());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kept.parquet");
    let key = Key(7);
    for traffic in [None, Some(&traffic)] {
        fs::write(&path, signals::write(&decoded, traffic, key).unwrap()).unwrap();
        let kept = signals::read(&path, key).unwrap();
        assert_eq!(kept.decoded.signals, decoded.signals);
        assert_eq!(kept.decoded.span, decoded.span);
        assert_eq!(kept.decoded.warnings, decoded.warnings);
        assert_eq!(kept.traffic.as_ref(), traffic);
        assert!(signals::read(&path, Key(8)).is_none());
    }
    let empty = Decoded {
        signals: Default::default(),
        ..decoded
    };
    fs::write(&path, signals::write(&empty, None, key).unwrap()).unwrap();
    assert_eq!(
        signals::read(&path, key).unwrap().decoded.signals,
        empty.signals
    );
}

#[test]
fn measures_and_traces_come_back_to_the_last_bit() {
    let (capture, car) = (capture(), car());
    let drive = Cache::Off.measures(&capture, &car, Traces::Wanted).unwrap();
    assert!(drive.engagements.iter().any(|e| e.trace.others.len() > 3));
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kept.measured");
    let key = Key(7);
    let bytes = measured::write(&drive, key).unwrap();
    fs::write(&path, &bytes).unwrap();
    assert!(measured::read(&path, key, Traces::Wanted).as_ref() == Some(&drive));
    let mut spared = drive;
    for engagement in &mut spared.engagements {
        engagement.trace = Default::default();
    }
    assert!(measured::read(&path, key, Traces::Spared) == Some(spared));
    assert!(measured::read(&path, Key(8), Traces::Spared).is_none());
    for at in (0..bytes.len()).step_by(bytes.len() / 97).chain(0..56) {
        let mut changed = bytes.clone();
        changed[at] ^= 0x10;
        fs::write(&path, &changed).unwrap();
        assert!(
            measured::read(&path, key, Traces::Wanted).is_none(),
            "byte {at}"
        );
        fs::write(&path, &bytes[..at]).unwrap();
        assert!(
            measured::read(&path, key, Traces::Wanted).is_none(),
            "cut at {at}"
        );
    }
}

/// Each thing that a kept file depends on makes it another.
#[test]
fn a_key_is_of_content_decoder_and_vehicle() {
    let folder = tempfile::tempdir().unwrap();
    let [vehicle, decoder] = ["vehicle.toml", "decoder.toml"].map(|file| {
        let own = folder.path().join(file);
        fs::copy(sample(file), &own).unwrap();
        own
    });
    let keys = |content: &[u8]| {
        let car = read_car(&vehicle, None).unwrap();
        let content = Content::of_bytes(content);
        (
            Key::of_signals(content, &car.decoder),
            Key::of_measures(content, &car),
        )
    };
    let add =
        |path: &Path| fs::write(path, fs::read_to_string(path).unwrap() + "\n# more\n").unwrap();
    let first = keys(b"a");
    assert_eq!(first, keys(b"a"));
    assert_ne!(first.0, first.1);
    let other = keys(b"b");
    assert!(first.0 != other.0 && first.1 != other.1);
    add(&vehicle);
    let of_vehicle = keys(b"a");
    assert!(first.0 == of_vehicle.0 && first.1 != of_vehicle.1);
    add(&decoder);
    let of_decoder = keys(b"a");
    assert!(of_vehicle.0 != of_decoder.0 && of_vehicle.1 != of_decoder.1);
}

#[test]
fn a_capture_that_is_no_file_is_read_all_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let absent = folder.path().join("absent.pcapng");
    let failed = Cache::Kept.measures(&absent, &car(), Traces::Spared);
    assert!(failed.unwrap_err().to_string().contains("absent.pcapng"));
    assert!(Cache::Kept.watched(folder.path(), &car()).is_err());
}

/// Changes some bytes, cuts, doubles or moves a piece.
fn damage(bytes: &mut Vec<u8>, random: &mut impl FnMut(usize) -> usize) {
    for _ in 0..=random(4) {
        let n = bytes.len();
        if n == 0 {
            return;
        }
        let (at, length) = (random(n), random(40));
        let piece = at..(at + length).min(n);
        match random(6) {
            0 => bytes.truncate(at),
            1 => drop(bytes.drain(piece)),
            2 => bytes[piece].fill([0, 0xFF, 0x7F][random(3)]),
            3 => {
                let copied = bytes[piece].to_vec();
                let to = random(n);
                drop(bytes.splice(to..to, copied));
            }
            4 => bytes[at] ^= 1 << random(8),
            _ => bytes[at] = random(256) as u8,
        }
    }
}

/// A short file of signals, and the parts of one of measures.
fn short_files(key: Key) -> (Vec<u8>, [Vec<u8>; 2]) {
    let (capture, car) = (capture(), car());
    let (mut decoded, traffic) = Cache::Off.watched(&capture, &car).unwrap();
    for series in &mut decoded.signals.series {
        series.t_ns.truncate(40);
        series.value.truncate(40);
    }
    let mut drive = Cache::Off.measures(&capture, &car, Traces::Wanted).unwrap();
    drive.engagements.truncate(2);
    for Engagement { trace, .. } in &mut drive.engagements {
        for values in [
            &mut trace.slip_t_s,
            &mut trace.slip_mps,
            &mut trace.pressure_t_s,
            &mut trace.pressure_bar,
            &mut trace.demand_t_s,
            &mut trace.demand,
        ] {
            values.truncate(20);
        }
        trace.others.truncate(2);
        for other in &mut trace.others {
            other.t_s.truncate(20);
            other.values.truncate(20);
        }
    }
    let traces: Vec<_> = drive.engagements.iter().map(|e| &e.trace).collect();
    let parts = [
        rmp_serde::to_vec(&drive).unwrap(),
        rmp_serde::to_vec(&traces).unwrap(),
    ];
    (
        signals::write(&decoded, Some(&traffic), key).unwrap(),
        parts,
    )
}

/// The first inputs of the fuzz target `tables`: whole files. To be run when what is kept changes.
#[test]
#[ignore = "writes into tests/fuzz/tables/inputs"]
fn whole_files_for_the_fuzz_target() {
    let inputs = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/tables/inputs");
    let (signals, [drive, traces]) = short_files(Key(7));
    let column = |name: &str, values: Vec<f64>| polars::prelude::Column::new(name.into(), values);
    let columns = vec![
        column("t_ns", vec![1e18, 1e18 + 1e9, 1e18 + 2e9]),
        column("speed_mps", vec![0.0, 1.5, 3.0]),
    ];
    let mut table = polars::prelude::DataFrame::new(3, columns).unwrap();
    let mut speed = Vec::new();
    polars::prelude::ParquetWriter::new(&mut speed)
        .finish(&mut table)
        .unwrap();
    let csv = b"t_ns,speed_mps\n0,0.0\n1000000000,1.5\n2000000000,3.0\n".to_vec();
    for (kind, bytes) in [
        (b's', signals),
        (b'm', drive),
        (b't', traces),
        (b'p', speed),
        (b'c', csv),
    ] {
        let name = format!("whole-{}", char::from(kind));
        fs::write(inputs.join(name), [vec![kind], bytes].concat()).unwrap();
    }
}

/// Damage that a seal happens to fit: refused or read, and nobody falls over it. So much is made up as
/// the seconds in `SLIPWRIGHT_DAMAGE_SECONDS` allow.
#[test]
fn damage_behind_a_whole_seal_harms_nobody() {
    let seconds = std::env::var("SLIPWRIGHT_DAMAGE_SECONDS");
    let seconds: f64 = seconds.map_or(2.0, |s| s.parse().expect("a number of seconds"));
    let mut stream = Stream::new(20_261_130, 0, Purpose::Programme);
    let mut random = |below: usize| (stream.uniform() * below as f64) as usize;
    let key = Key(7);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kept");
    let (signals, parts) = short_files(key);
    let (mut made, mut read) = (0, 0);
    let from = std::time::Instant::now();
    while from.elapsed().as_secs_f64() < seconds {
        let mut bytes = signals.clone();
        damage(&mut bytes, &mut random);
        if let Some(sealed) = seal::close(bytes, key) {
            fs::write(&path, sealed).unwrap();
            read += usize::from(signals::read(&path, key).is_some());
        }
        let mut parts = parts.clone();
        for part in &mut parts {
            damage(part, &mut random);
        }
        fs::write(&path, measured::sealed(&parts, key)).unwrap();
        read += usize::from(measured::read(&path, key, Traces::Wanted).is_some());
        made += 2;
    }
    println!("{made} damaged files, {read} of them read");
    assert!(made > 50, "{made}");
}
