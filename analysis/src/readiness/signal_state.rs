//! The state of one signal: alive, missing, stale or invalid, and at which rate it came.

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::{InvalidReason, Series};

use super::Recording;
use super::sleep::{ASLEEP_S, Sleep};
use crate::drive::{at_seconds, seconds_between};
use crate::number;
use crate::statistics::quantile::median;
use crate::traffic_watch::Span;

/// What a signal is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// It comes at its rate with values that can be true.
    Alive,
    /// It never came.
    Missing,
    /// It came, but not all the time, too seldom, or stood still while it was sent.
    Stale,
    /// It came, but its values are no measurement, or cannot be true.
    Invalid,
}

impl State {
    /// Word in JSON and tables.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Alive => "alive",
            Self::Missing => "missing",
            Self::Stale => "stale",
            Self::Invalid => "invalid",
        }
    }
}

/// One signal, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalState {
    /// What it means.
    pub role: Role,
    /// What it is.
    pub state: State,
    /// Whether the decoder file says where it is.
    pub described: bool,
    /// Valid values per second over the recording.
    pub rate_hz: Option<f64>,
    /// Why it is not alive, or what is to be known of it.
    pub why: Option<String>,
    /// Share of the time in which nothing came, 0 to 1.
    pub lost_share: f64,
    /// Share of the time in which no measurement came though something did, 0 to 1.
    pub invalid_share: f64,
    /// Share of the time in which its message repeated itself, 0 to 1.
    pub frozen_share: f64,
    /// When it was lost, invalid or frozen.
    pub outages: Vec<Span>,
}

impl SignalState {
    fn new(role: Role, state: State, why: String) -> Self {
        Self {
            role,
            state,
            described: true,
            rate_hz: None,
            why: Some(why),
            lost_share: 0.0,
            invalid_share: 0.0,
            frozen_share: 0.0,
            outages: Vec::new(),
        }
    }

    /// Takes a worse state over, with its reason.
    pub(super) fn worsen(&mut self, state: State, why: String) {
        if self.state == State::Alive {
            self.state = state;
        }
        self.why = Some(match self.why.take() {
            Some(first) => format!("{first}; {why}"),
            None => why,
        });
    }

    /// Share of the time in which it could not be used.
    #[must_use]
    pub fn unusable_share(&self) -> f64 {
        (self.lost_share + self.invalid_share + self.frozen_share).min(1.0)
    }
}

/// A signal may be away for this share of the time: a recorder loses a frame now and then.
const AWAY_SHARE: f64 = 0.003;
/// A single outage longer than this counts whatever its share, s.
const AWAY_S: f64 = 1.0;
/// Control units need this long to start, s; what they say before is not held against them.
const START_S: f64 = 12.0;
/// A signal comes too seldom below this share of the rate that the decoder file states.
const RATE_SHARE: f64 = 0.6;
/// Its usual period is taken over so many frames.
const OVER_FRAMES: usize = 8;

pub(super) fn state_of(
    recording: &Recording<'_>,
    role: Role,
    rolling: &[Span],
    sleep: &Sleep<'_>,
) -> SignalState {
    let Some(series) = recording.signals.role(role) else {
        return SignalState {
            described: recording.described.frames_with(role).next().is_some()
                || recording.described.requests_with(role).next().is_some(),
            ..SignalState::new(role, State::Missing, why_missing(recording, role))
        };
    };
    let total_s = recording.span.duration_s().max(1e-3);
    let rate_hz = Some(series.value.len() as f64 / total_s);
    if series.value.is_empty() {
        let mut state = SignalState::new(role, State::Invalid, why_invalid(series));
        state.rate_hz = Some(0.0);
        state.invalid_share = 1.0;
        return state;
    }
    let received = received(series);
    let lost = lost_spans(&received, series, recording, sleep);
    let invalid = invalid_spans(series, recording, role, rolling);
    let frozen: Vec<Span> = recording
        .traffic
        .id(&series.bus, series.id)
        .map(|id| id.frozen.clone())
        .unwrap_or_default()
        .into_iter()
        .filter(|span| span.to_ns.saturating_sub(span.from_ns) > series.timeout_ns)
        .collect();
    let share = |spans: &[Span]| (total(spans) / total_s).min(1.0);
    let mut state = SignalState {
        role,
        state: State::Alive,
        described: true,
        rate_hz,
        why: None,
        lost_share: share(&lost),
        invalid_share: share(&invalid),
        frozen_share: share(&frozen),
        outages: Vec::new(),
    };
    if counts(&invalid, total_s) {
        let why = format!("{}: {}", why_invalid(series), how_long(&invalid, total_s));
        state.worsen(State::Invalid, why);
    }
    if counts(&lost, total_s) {
        let why = format!("nothing was received {}", how_long(&lost, total_s));
        state.worsen(State::Stale, why);
    }
    if counts(&frozen, total_s) {
        let why = format!(
            "its message repeats itself with a counter that stands still {}",
            how_long(&frozen, total_s)
        );
        state.worsen(State::Stale, why);
    }
    if let Some(why) = too_seldom(&received, recording.described, role, series) {
        state.worsen(State::Stale, why);
    }
    state.outages = [lost, invalid, frozen].concat();
    state
}

/// Whether outages are more than what any recording has.
pub(super) fn counts(spans: &[Span], total_s: f64) -> bool {
    let away_s = total(spans);
    away_s > AWAY_SHARE * total_s || spans.iter().any(|span| span.seconds() > AWAY_S)
}

fn total(spans: &[Span]) -> f64 {
    spans.iter().map(Span::seconds).sum()
}

pub(super) fn how_long(spans: &[Span], total_s: f64) -> String {
    let away_s = total(spans);
    let times = number::times(spans.len());
    format!(
        "{times}, {away_s:.1} s in all, {:.0} % of the time",
        100.0 * (away_s / total_s).min(1.0)
    )
}

fn why_missing(recording: &Recording<'_>, role: Role) -> String {
    let mut frames = recording.described.frames_with(role).peekable();
    if let Some(request) = recording.described.requests_with(role).next() {
        return format!("no answer from {} brought it", request.response_id);
    }
    if frames.peek().is_none() {
        return "the decoder file does not say where it is".into();
    }
    let ids: Vec<String> = frames
        .map(|frame| {
            let seen: Vec<&str> = recording
                .traffic
                .buses
                .iter()
                .filter(|bus| bus.ids.iter().any(|id| id.id == frame.id))
                .map(|bus| bus.bus.as_str())
                .collect();
            match (&frame.bus, seen.is_empty()) {
                (_, true) => format!("no frame {} was received", frame.id),
                (Some(bus), false) => format!(
                    "frame {} came on {} and not on {bus}",
                    frame.id,
                    seen.join(" and ")
                ),
                (None, false) => format!("frame {} came without it", frame.id),
            }
        })
        .collect();
    ids.join("; ")
}

fn why_invalid(series: &Series) -> String {
    let count = |reason| series.invalid.iter().filter(|i| i.reason == reason).count();
    let reasons = [
        (InvalidReason::RawCode, "the car says \"not available\""),
        (
            InvalidReason::BelowMin,
            "values lie below the decoder file's min",
        ),
        (
            InvalidReason::AboveMax,
            "values lie above the decoder file's max",
        ),
        (InvalidReason::NotFinite, "values are no numbers"),
        (InvalidReason::FrameTooShort, "frames are too short for it"),
    ];
    reasons
        .into_iter()
        .max_by_key(|(reason, _)| count(*reason))
        .map_or_else(String::new, |(_, text)| text.to_owned())
}

/// Stamps of everything received of it, in order.
fn received(series: &Series) -> Vec<i64> {
    let mut stamps: Vec<i64> = series
        .t_ns
        .iter()
        .copied()
        .chain(series.invalid.iter().map(|i| i.t_ns))
        .collect();
    stamps.sort_unstable();
    stamps
}

fn lost_spans(
    received: &[i64],
    series: &Series,
    recording: &Recording<'_>,
    sleep: &Sleep<'_>,
) -> Vec<Span> {
    let limit_ns = series.timeout_ns.max(1);
    let mut spans: Vec<Span> = received
        .windows(2)
        .filter_map(|w| {
            let (from_ns, to_ns) = (*w.first()?, *w.last()?);
            (to_ns.saturating_sub(from_ns) > limit_ns).then_some(Span { from_ns, to_ns })
        })
        .collect();
    if let Some(&first) = received.first()
        && seconds_between(recording.span.first_ns, first) > START_S
    {
        let from_ns = recording.span.first_ns;
        spans.push(Span {
            from_ns,
            to_ns: first,
        });
    }
    if let Some(&last) = received.last()
        && recording.span.last_ns.saturating_sub(last) > at_seconds(0, ASLEEP_S).max(limit_ns)
        && !sleep.since(&series.bus, last)
    {
        spans.push(Span {
            from_ns: last,
            to_ns: recording.span.last_ns,
        });
    }
    spans
}

/// Runs of values that are no measurement, from the first of them to the next good one.
fn invalid_spans(
    series: &Series,
    recording: &Recording<'_>,
    role: Role,
    rolling: &[Span],
) -> Vec<Span> {
    let mut bad: Vec<i64> = series.invalid.iter().map(|i| i.t_ns).collect();
    bad.sort_unstable();
    let mut spans: Vec<Span> = Vec::new();
    for t_ns in bad {
        if spans.last().is_some_and(|span| t_ns < span.to_ns) {
            continue;
        }
        let next = series.t_ns.partition_point(|&good| good <= t_ns);
        let to_ns = series
            .t_ns
            .get(next)
            .copied()
            .unwrap_or(recording.span.last_ns);
        spans.push(Span {
            from_ns: t_ns,
            to_ns: to_ns.max(t_ns),
        });
    }
    let started_ns = at_seconds(recording.span.first_ns, START_S);
    let before_any = series.t_ns.first().copied().unwrap_or(i64::MAX);
    spans.retain(|span| span.from_ns >= before_any || span.to_ns > started_ns);
    // Wheel sensors may tell nothing at a standstill; what counts is that they tell when the car
    // rolls.
    if Role::WHEELS.contains(&role) && !rolling.is_empty() {
        spans.retain(|span| {
            let shared: f64 = rolling.iter().map(|r| r.shared_s(span)).sum();
            shared > 0.5 * span.seconds()
        });
    }
    spans
}

fn too_seldom(
    received: &[i64],
    described: &DecoderFile,
    role: Role,
    series: &Series,
) -> Option<String> {
    let frame = described
        .frames_with(role)
        .find(|frame| frame.id == series.id)?;
    let signal = frame.signals.iter().find(|s| s.key.role() == Some(role))?;
    if signal.when.is_some() {
        return None;
    }
    let period_s = frame.period_ms? * 1e-3;
    // Over several frames: an adapter may hand them over in batches.
    let over = OVER_FRAMES.min(received.len().saturating_sub(1)).max(1);
    let intervals: Vec<f64> = received
        .windows(over + 1)
        .filter_map(|w| Some(seconds_between(*w.first()?, *w.last()?) / over as f64))
        .collect();
    let usual_s = median(&intervals)?;
    (received.len() > 5 && period_s < RATE_SHARE * usual_s).then(|| {
        format!(
            "it comes every {:.0} ms where the decoder file says every {:.0} ms",
            usual_s * 1e3,
            period_s * 1e3
        )
    })
}
