//! What a drive's picture shows, gathered row by row and thinned to columns of pixels.

use crate::surface::Surface;
use crate::truth::Row;

/// One trace of the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Trace {
    Speed,
    Pedal,
    Brake,
    DemandedPressure,
    Pressure,
    Slip,
    Plates,
}

/// Traces that are gathered.
const TRACES: usize = 7;
/// Rows in a span: 20 ms.
const SPAN_ROWS: usize = 20;

/// The lowest and highest value of some rows; low above high is none.
#[derive(Clone, Copy, Debug)]
pub(super) struct Span {
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Span {
    const NONE: Self = Self {
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
    };

    fn take(&mut self, value: f64) {
        self.low = self.low.min(value);
        self.high = self.high.max(value);
    }

    pub(super) fn join(self, other: Self) -> Self {
        Self {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }

    pub(super) fn is_none(self) -> bool {
        self.low > self.high
    }
}

/// A drive's traces.
#[derive(Debug)]
pub(super) struct Traces {
    dropout_mps: f64,
    max_pressure_bar: f64,
    spans: Vec<[Span; TRACES]>,
    rows: usize,
    /// Place in the programme and time at which each manoeuvre began, s.
    manoeuvres: Vec<(usize, f64)>,
    /// Surface under the left and right wheels, and since when, s.
    road: Vec<([Surface; 2], f64)>,
}

impl Traces {
    pub(super) fn new(dropout_mps: f64, max_pressure_bar: f64) -> Self {
        Self {
            dropout_mps,
            max_pressure_bar,
            spans: Vec::new(),
            rows: 0,
            manoeuvres: Vec::new(),
            road: Vec::new(),
        }
    }

    pub(super) fn push(&mut self, row: &Row) {
        if self
            .manoeuvres
            .last()
            .is_none_or(|last| last.0 != row.manoeuvre)
        {
            self.manoeuvres.push((row.manoeuvre, row.t_s));
        }
        if self.road.last().is_none_or(|last| last.0 != row.surfaces) {
            self.road.push((row.surfaces, row.t_s));
        }
        if self.rows.is_multiple_of(SPAN_ROWS) {
            self.spans.push([Span::NONE; TRACES]);
        }
        self.rows += 1;
        let Some(spans) = self.spans.last_mut() else {
            return;
        };
        let mut take = |trace: Trace, value: f64| {
            if let Some(span) = spans.get_mut(trace as usize) {
                span.take(value);
            }
        };
        take(Trace::Speed, row.state.forward_mps * 3.6);
        take(Trace::Pedal, row.pedal_percent);
        take(Trace::Brake, 100.0 * row.brake);
        let demanded = 0.01 * row.demand_percent * self.max_pressure_bar;
        take(Trace::DemandedPressure, demanded);
        take(Trace::Pressure, row.state.pressure_bar.max(0.0));
        take(Trace::Plates, row.state.plate_c);
        // Where the wheel sensors tell nothing there is no slip.
        let slowest = row
            .contact_mps
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min);
        if slowest > self.dropout_mps {
            take(Trace::Slip, row.slip_mps);
        }
    }

    pub(super) fn rows(&self) -> usize {
        self.rows
    }

    pub(super) fn manoeuvres(&self) -> &[(usize, f64)] {
        &self.manoeuvres
    }

    pub(super) fn road(&self) -> &[([Surface; 2], f64)] {
        &self.road
    }

    fn of(spans: &[[Span; TRACES]], trace: Trace) -> Span {
        let of_trace = spans.iter().filter_map(|s| s.get(trace as usize));
        of_trace.fold(Span::NONE, |a, &b| a.join(b))
    }

    /// Lowest and highest value of a trace.
    pub(super) fn range(&self, trace: Trace) -> Span {
        Self::of(&self.spans, trace)
    }

    /// The trace in this many columns.
    pub(super) fn columns(&self, trace: Trace, columns: usize) -> Vec<Span> {
        let per_column = self.spans.len() as f64 / columns as f64;
        (0..columns)
            .map(|column| {
                let from = (column as f64 * per_column) as usize;
                let to = ((((column + 1) as f64) * per_column) as usize)
                    .clamp(from + 1, self.spans.len().max(from + 1));
                Self::of(self.spans.get(from..to).unwrap_or_default(), trace)
            })
            .collect()
    }
}
