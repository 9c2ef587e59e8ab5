//! The fields of all identifiers as series on the common time axis, with the little that every
//! search asks of them.

use super::bit_activity::BitActivity;
use super::codes::{Codes, coding};
use super::counter::counters;
use super::multiplex;
use super::protection::{Guard, checksums};
use super::rows::Rows;
use super::segment::{Segment, segments};
use super::statistics::quantile_of_sorted;
use super::survey::{IdSurvey, Survey};
use super::timeline::Timeline;
use crate::decoder_file::{PERIODS_TO_TIMEOUT, Selector};
use crate::field::{Coding, Field};
use crate::frame::CanId;
use crate::gnss_frames::INTERFACE;
use crate::obd2::addressing::is_diagnostic;

const MS_PER_NS: f64 = 1e-6;
/// Fewer frames than this say nothing.
const LEAST_FRAMES: u64 = 12;

/// One identifier on one bus; of a multiplexed one, the frames of one code.
#[derive(Clone, Debug)]
pub(crate) struct Source {
    pub(crate) bus: String,
    pub(crate) id: CanId,
    pub(crate) frames: u64,
    /// Data bytes of its longest frame.
    pub(crate) length_bytes: usize,
    pub(crate) period_ns: f64,
    /// Interval that 99.9 per cent of all do not exceed, ns.
    pub(crate) late_ns: f64,
    /// Whether it comes in equal times.
    pub(crate) periodic: bool,
    pub(crate) selector: Option<Selector>,
    pub(crate) rows: Rows,
    pub(crate) activity: BitActivity,
    pub(crate) guards: Vec<Guard>,
    pub(crate) segments: Vec<Segment>,
}

impl Source {
    /// Time from one frame to the next, ms; `None` if they do not come in equal times.
    pub(crate) fn period_ms(&self) -> Option<f64> {
        self.periodic.then_some(self.period_ns * MS_PER_NS)
    }

    /// Longest time for which a value stands for the next one, ms: so many periods as where nothing
    /// is stated, or what the sender's own unsteadiness needs.
    pub(crate) fn timeout_ms(&self) -> f64 {
        let of_periods = PERIODS_TO_TIMEOUT * self.period_ns;
        of_periods.max(1.5 * self.late_ns) * MS_PER_NS
    }
}

/// A field that may be a physical value.
#[derive(Clone, Debug)]
pub(crate) struct Candidate {
    /// Index of its source.
    pub(crate) source: usize,
    /// Only the bits that moved.
    pub(crate) field: Field,
    pub(crate) segment: Segment,
    /// Raw numbers on the common axis.
    pub(crate) raw: Vec<f64>,
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) distinct: usize,
    /// Share of the samples at the most frequent number, and that number.
    pub(crate) rest_share: f64,
    pub(crate) rest: f64,
    /// Codes that mean "not available".
    pub(crate) invalid_raw: Vec<u64>,
}

/// Splits the survey into sources, finds their fields and lays them on the axis.
pub(crate) fn collect(survey: &mut Survey, axis: &Timeline) -> (Vec<Source>, Vec<Candidate>) {
    let mut sources = Vec::new();
    for bus in &mut survey.buses {
        let name = &bus.name;
        if name == INTERFACE {
            continue;
        }
        for id in bus.ids.iter_mut().skip(1) {
            if id.frames >= LEAST_FRAMES && !is_diagnostic(id.id) {
                sources.extend(sources_of(name, id));
            }
        }
    }
    let mut candidates = Vec::new();
    for (index, source) in sources.iter().enumerate() {
        for segment in &source.segments {
            candidates.extend(candidate(index, source, segment, axis));
        }
    }
    (sources, candidates)
}

fn sources_of(bus: &str, id: &mut IdSurvey) -> Vec<Source> {
    let counters = counters(&id.activity, &id.head);
    let mut guards = checksums(&id.activity, &id.head, &counters);
    // A bit of a checksum that happens to count is no counter.
    let free = |counter: &Guard| !guards.iter().any(|g| g.covers(counter.first_bit));
    let counters: Vec<Guard> = counters.into_iter().filter(free).collect();
    guards.extend(counters);
    let period_ns = id.intervals.period_ns().unwrap_or(0.0);
    let (early, late) = (id.intervals.quantile_ns(0.1), id.intervals.quantile_ns(0.9));
    let periodic = early
        .zip(late)
        .is_some_and(|(early, late)| late < 4.0 * early);
    let mut base = Source {
        bus: bus.to_owned(),
        id: id.id,
        frames: id.frames,
        length_bytes: id.length_bytes,
        period_ns,
        late_ns: id.intervals.quantile_ns(0.999).unwrap_or(period_ns),
        periodic,
        selector: None,
        rows: Rows::default(),
        activity: BitActivity::default(),
        guards,
        segments: Vec::new(),
    };
    let split = multiplex::split(&id.head, &id.rows, &id.activity, &mut base.guards);
    if split.is_empty() {
        base.rows = std::mem::take(&mut id.rows);
        base.activity = std::mem::take(&mut id.activity);
        base.segments = segments(&base.activity, &base.rows, base.length_bytes, &base.guards);
        return vec![base];
    }
    let cases = split.len() as f64;
    split
        .into_iter()
        .map(|part| Source {
            frames: (id.frames as f64 / cases) as u64,
            period_ns: period_ns * cases,
            late_ns: base.late_ns * cases,
            selector: Some(part.selector),
            segments: segments(&part.activity, &part.rows, base.length_bytes, &base.guards),
            rows: part.rows,
            activity: part.activity,
            ..base.clone()
        })
        .collect()
}

fn candidate(
    index: usize,
    source: &Source,
    segment: &Segment,
    axis: &Timeline,
) -> Option<Candidate> {
    let length = u8::try_from(segment.length).ok()?;
    let start = u16::try_from(segment.start).ok()?;
    let field = Field::new(start, length, segment.order, Coding::Unsigned).ok()?;
    let coding = coding(source, &field);
    let field = Field::new(start, length, segment.order, coding).ok()?;
    Some(with_field(index, source, segment, field, axis))
}

/// The candidate of a field that was settled elsewhere.
pub(crate) fn with_field(
    index: usize,
    source: &Source,
    segment: &Segment,
    field: Field,
    axis: &Timeline,
) -> Candidate {
    let codes = Codes::of(source, &field);
    let (t_ns, mut sorted) = codes.numbers(&field);
    let raw = axis.resample(&t_ns, &sorted, 0);
    sorted.sort_by(f64::total_cmp);
    let runs = sorted.chunk_by(|a, b| a == b);
    let (mut distinct, mut longest, mut rest) = (0, 0, 0.0);
    for run in runs {
        distinct += 1;
        if run.len() > longest {
            longest = run.len();
            rest = run.first().copied().unwrap_or(0.0);
        }
    }
    Candidate {
        source: index,
        segment: *segment,
        low: quantile_of_sorted(&sorted, 0.002),
        high: quantile_of_sorted(&sorted, 0.998),
        distinct,
        rest_share: longest as f64 / sorted.len().max(1) as f64,
        rest,
        invalid_raw: codes.invalid,
        field,
        raw,
    }
}

#[cfg(test)]
impl Source {
    /// An identifier that is nothing but these frames.
    pub(crate) fn of_rows(id: CanId, rows: Rows) -> Self {
        Self {
            bus: "can0".to_owned(),
            id,
            frames: rows.len() as u64,
            length_bytes: rows.width(),
            period_ns: 1e7,
            late_ns: 1e7,
            periodic: true,
            selector: None,
            rows,
            activity: BitActivity::default(),
            guards: Vec::new(),
            segments: Vec::new(),
        }
    }
}

#[cfg(test)]
impl Candidate {
    /// Any field of a source.
    pub(crate) fn of_field(index: usize, source: &Source, field: Field, axis: &Timeline) -> Self {
        let segment = Segment {
            start: usize::from(field.start()),
            length: usize::from(field.length()),
            order: field.order(),
            within_byte: false,
        };
        with_field(index, source, &segment, field, axis)
    }
}
