//! Decoded signals as Parquet: one row a sample, series after series, and the rest as JSON in the
//! file's metadata. A file is looked into only once its seal holds, so nothing damaged or foreign
//! reaches the reader.

use std::fs;
use std::io::Cursor;
use std::path::Path;

use polars::prelude::{
    Column, DataFrame, Float64Chunked, Int64Chunked, IntoColumn, KeyValueMetadata,
    ParquetCompression, ParquetReader, ParquetWriter, SerReader, UInt32Chunked,
};
use serde::{Deserialize, Serialize};
use slipwright_analysis::measures::FrameSpan;
use slipwright_analysis::traffic_watch::{Span, Traffic, WatchedBus, WatchedId};
use slipwright_decoders::frame::CanId;
use slipwright_decoders::signal::{Invalid, InvalidReason, Series, SignalKey, Signals};

use super::key::Key;
use super::{is_plain_file, seal};
use crate::input::Decoded;
use crate::{parquet_claims, table_library};

/// Names of the entries of the metadata.
const ABOUT_KEY: &str = "slipwright.signals";
const SEAL_KEY: &str = "slipwright.seal";

/// Why a sample is no measurement, by its number in the column `invalid`; 0 is one that is.
const REASONS: [InvalidReason; 5] = [
    InvalidReason::RawCode,
    InvalidReason::BelowMin,
    InvalidReason::AboveMax,
    InvalidReason::NotFinite,
    InvalidReason::FrameTooShort,
];

/// What was kept of a capture.
pub(super) struct Kept {
    pub(super) decoded: Decoded,
    /// If it was watched.
    pub(super) traffic: Option<Traffic>,
}

/// All but the samples.
#[derive(Serialize, Deserialize)]
struct About {
    first_ns: i64,
    last_ns: i64,
    frames: u64,
    warnings: Vec<String>,
    series: Vec<AboutSeries>,
    buses: Option<Vec<AboutBus>>,
}

#[derive(Serialize, Deserialize)]
struct AboutSeries {
    signal: String,
    is_role: bool,
    unit: String,
    bus: String,
    id: u32,
    extended: bool,
    timeout_ns: i64,
    valid: usize,
    invalid: usize,
}

#[derive(Serialize, Deserialize)]
struct AboutBus {
    bus: String,
    span: [i64; 2],
    ids: Vec<AboutId>,
    error_ns: Vec<i64>,
}

#[derive(Serialize, Deserialize)]
struct AboutId {
    id: u32,
    extended: bool,
    frames: u64,
    /// The bits of a number of seconds, which decimal digits would round.
    period_s_bits: Option<u64>,
    silent: Vec<[i64; 2]>,
    frozen: Vec<[i64; 2]>,
}

/// The file's bytes; `None` if they cannot be made.
pub(super) fn write(decoded: &Decoded, traffic: Option<&Traffic>, key: Key) -> Option<Vec<u8>> {
    let about = serde_json::to_string(&About::of(decoded, traffic)).ok()?;
    let metadata = KeyValueMetadata::from_static(vec![
        (ABOUT_KEY.to_owned(), about),
        (SEAL_KEY.to_owned(), seal::empty()),
    ]);
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .with_compression(ParquetCompression::Zstd(None))
        .with_key_value_metadata(Some(metadata))
        .finish(&mut samples(&decoded.signals)?)
        .ok()?;
    seal::close(bytes, key)
}

fn samples(signals: &Signals) -> Option<DataFrame> {
    let rows: usize = signals
        .series
        .iter()
        .map(|s| s.value.len() + s.invalid.len())
        .sum();
    let (mut series, mut t_ns) = (Vec::with_capacity(rows), Vec::with_capacity(rows));
    let (mut value, mut invalid) = (Vec::with_capacity(rows), Vec::with_capacity(rows));
    for (index, s) in signals.series.iter().enumerate() {
        let index = u32::try_from(index).ok()?;
        t_ns.extend_from_slice(&s.t_ns);
        value.extend_from_slice(&s.value);
        invalid.resize(value.len(), 0);
        for bad in &s.invalid {
            t_ns.push(bad.t_ns);
            value.push(f64::NAN);
            let reason = REASONS.iter().position(|reason| *reason == bad.reason)?;
            invalid.push(u32::try_from(reason).ok()? + 1);
        }
        series.resize(value.len(), index);
    }
    let columns: Vec<Column> = vec![
        UInt32Chunked::from_vec("series".into(), series).into_column(),
        Int64Chunked::from_vec("t_ns".into(), t_ns).into_column(),
        Float64Chunked::from_vec("value".into(), value).into_column(),
        UInt32Chunked::from_vec("invalid".into(), invalid).into_column(),
    ];
    DataFrame::new(rows, columns).ok()
}

/// What a file holds, if it is whole and belongs to the key.
pub(super) fn read(path: &Path, key: Key) -> Option<Kept> {
    if !is_plain_file(path) {
        return None;
    }
    let mut bytes = fs::read(path).ok()?;
    seal::holds(&mut bytes, key)
        .then_some(bytes)
        .and_then(unsealed)
}

/// What the bytes behind a seal that holds tell.
pub(super) fn unsealed(bytes: Vec<u8>) -> Option<Kept> {
    if !parquet_claims::are_plausible(&bytes) {
        return None;
    }
    table_library::guarded(|| table(bytes))?
}

fn table(bytes: Vec<u8>) -> Option<Kept> {
    let mut reader = ParquetReader::new(Cursor::new(bytes));
    let entries = reader.get_metadata().ok()?.key_value_metadata.clone()?;
    let about = entries.into_iter().find(|entry| entry.key == ABOUT_KEY)?;
    let about: About = serde_json::from_str(&about.value?).ok()?;
    let mut table = reader
        .with_columns(Some(vec!["t_ns".into(), "value".into(), "invalid".into()]))
        .finish()
        .ok()?;
    table.rechunk_mut();
    let t_ns = table.column("t_ns").ok()?.i64().ok()?.cont_slice().ok()?;
    let value = table.column("value").ok()?.f64().ok()?.cont_slice().ok()?;
    let reason = table.column("invalid").ok()?.u32().ok()?;
    let reason = reason.cont_slice().ok()?;
    let mut at = 0_usize;
    let mut series = Vec::with_capacity(about.series.len());
    for s in &about.series {
        let valid = at..at.checked_add(s.valid)?;
        let bad = valid.end..valid.end.checked_add(s.invalid)?;
        at = bad.end;
        let why = |&number: &u32| REASONS.get((number as usize).checked_sub(1)?).copied();
        let invalid = t_ns.get(bad.clone())?.iter().zip(reason.get(bad)?);
        series.push(Series {
            key: match s.is_role {
                true => SignalKey::Role(s.signal.parse().ok()?),
                false => SignalKey::Name(s.signal.clone()),
            },
            unit: s.unit.parse().ok()?,
            bus: s.bus.clone(),
            id: CanId::new(s.id, s.extended)?,
            t_ns: t_ns.get(valid.clone())?.to_vec(),
            value: value.get(valid)?.to_vec(),
            invalid: invalid
                .map(|(&t_ns, number)| why(number).map(|reason| Invalid { t_ns, reason }))
                .collect::<Option<_>>()?,
            timeout_ns: s.timeout_ns,
        });
    }
    Some(Kept {
        decoded: Decoded {
            signals: Signals { series },
            span: FrameSpan {
                first_ns: about.first_ns,
                last_ns: about.last_ns,
                frames: about.frames,
            },
            warnings: about.warnings,
        },
        traffic: match about.buses {
            Some(buses) => {
                let buses = buses.into_iter().map(AboutBus::back);
                Some(Traffic {
                    buses: buses.collect::<Option<_>>()?,
                })
            }
            None => None,
        },
    })
}

impl About {
    fn of(decoded: &Decoded, traffic: Option<&Traffic>) -> Self {
        let series = decoded.signals.series.iter().map(|s| AboutSeries {
            signal: s.key.text().to_owned(),
            is_role: s.key.role().is_some(),
            unit: s.unit.text().to_owned(),
            bus: s.bus.clone(),
            id: s.id.number(),
            extended: s.id.is_extended(),
            timeout_ns: s.timeout_ns,
            valid: s.value.len(),
            invalid: s.invalid.len(),
        });
        Self {
            first_ns: decoded.span.first_ns,
            last_ns: decoded.span.last_ns,
            frames: decoded.span.frames,
            warnings: decoded.warnings.clone(),
            series: series.collect(),
            buses: traffic.map(|t| t.buses.iter().map(AboutBus::of).collect()),
        }
    }
}

impl AboutBus {
    fn of(bus: &WatchedBus) -> Self {
        let ends = |spans: &[Span]| spans.iter().map(|s| [s.from_ns, s.to_ns]).collect();
        let ids = bus.ids.iter().map(|watched| AboutId {
            id: watched.id.number(),
            extended: watched.id.is_extended(),
            frames: watched.frames,
            period_s_bits: watched.period_s.map(f64::to_bits),
            silent: ends(&watched.silent),
            frozen: ends(&watched.frozen),
        });
        Self {
            bus: bus.bus.clone(),
            span: [bus.span.from_ns, bus.span.to_ns],
            ids: ids.collect(),
            error_ns: bus.error_ns.clone(),
        }
    }

    fn back(self) -> Option<WatchedBus> {
        let span = |[from_ns, to_ns]: [i64; 2]| Span { from_ns, to_ns };
        let ids = self.ids.into_iter().map(|kept| {
            Some(WatchedId {
                id: CanId::new(kept.id, kept.extended)?,
                frames: kept.frames,
                period_s: kept.period_s_bits.map(f64::from_bits),
                silent: kept.silent.into_iter().map(span).collect(),
                frozen: kept.frozen.into_iter().map(span).collect(),
            })
        });
        Some(WatchedBus {
            bus: self.bus,
            span: span(self.span),
            ids: ids.collect::<Option<_>>()?,
            error_ns: self.error_ns,
        })
    }
}
