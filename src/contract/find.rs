//! `find`: proposed signals, and how every identifier is made up.

use serde::Serialize;
use slipwright_decoders::decoder_file::Selector;
use slipwright_decoders::field::{Coding, Field};
use slipwright_decoders::find::ACCEPTANCE_SCORE;
use slipwright_decoders::find::proposal::{
    Findings, IdReport, MarkContrast, Proposal, WheelAnswer,
};
use slipwright_logger::text_log::Account;

/// The whole answer.
#[derive(Debug, Serialize)]
pub(crate) struct FindOutput {
    captures: Vec<String>,
    frames: u64,
    /// Proposals, best first: wheel speeds, then the rest by role and rank.
    pub(crate) signals: Vec<FoundSignal>,
    acceptance_score: f64,
    wheel_speeds: WheelSpeeds,
    reference: Option<Reference>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    marks: Vec<FoundMark>,
    ids: Vec<FoundId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) text_log: Option<TextLog>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) out: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) sheet: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) pictures: Option<String>,
    pub(crate) warnings: Vec<String>,
}

/// One proposed signal.
#[derive(Debug, Serialize)]
pub(crate) struct FoundSignal {
    bus: String,
    id: u32,
    extended: bool,
    start: u16,
    length: u8,
    order: &'static str,
    signed: bool,
    /// `null` where nothing measured it; see `scale_note`.
    scale: Option<f64>,
    offset: Option<f64>,
    u_scale: Option<f64>,
    u_offset: Option<f64>,
    unit: &'static str,
    role: &'static str,
    rank: usize,
    score: f64,
    accepted: bool,
    /// Highest bits that never moved in the captures.
    unproven_bits: u8,
    #[serde(skip_serializing_if = "Option::is_none")]
    when: Option<When>,
    #[serde(skip_serializing_if = "Option::is_none")]
    scale_note: Option<String>,
    evidence: Vec<String>,
}

#[derive(Debug, Serialize)]
struct When {
    start: u16,
    length: u8,
    order: &'static str,
    equals: u64,
}

impl From<Selector> for When {
    fn from(selector: Selector) -> Self {
        Self {
            start: selector.field.start(),
            length: selector.field.length(),
            order: selector.field.order().text(),
            equals: selector.equals,
        }
    }
}

#[derive(Debug, Serialize)]
struct WheelSpeeds {
    found: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    axle_confidence: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    side_confidence: Option<f64>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    to_tell: Vec<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

#[derive(Debug, Serialize)]
struct Reference {
    kind: &'static str,
    lag_s: f64,
    coverage: f64,
}

#[derive(Debug, Serialize)]
struct FoundId {
    bus: String,
    id: u32,
    extended: bool,
    frames: u64,
    length_bytes: usize,
    period_ms: Option<f64>,
    timeout_ms: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    when: Option<When>,
    constant_bits: usize,
    fields: Vec<IdField>,
}

#[derive(Debug, Serialize)]
struct IdField {
    start: u16,
    length: u8,
    order: &'static str,
    signed: bool,
    /// `value`, `flag`, `counter` or `checksum`.
    kind: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    checksum: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    codes: Option<usize>,
}

/// What became of the lines of text logs.
#[derive(Debug, Default, Serialize)]
pub(crate) struct TextLog {
    lines: u64,
    frames: u64,
    ignored_lines: u64,
    left_out_frames: u64,
    bad_lines: u64,
}

impl TextLog {
    /// Adds one log's account.
    pub(crate) fn add(&mut self, account: &Account) {
        self.lines += account.lines;
        self.frames += account.frames;
        self.ignored_lines += account.ignored;
        self.left_out_frames += account.left_out;
        self.bad_lines += account.bad;
    }
}

/// What a mark sets apart.
#[derive(Debug, Serialize)]
struct FoundMark {
    t_s: f64,
    text: String,
    moved: Vec<MovedField>,
}

#[derive(Debug, Serialize)]
struct MovedField {
    bus: String,
    id: u32,
    extended: bool,
    start: u16,
    length: u8,
    order: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    when: Option<When>,
    contrast: f64,
}

impl FoundMark {
    fn new(mark: &MarkContrast, start_ns: i64) -> Self {
        Self {
            t_s: mark.t_ns.saturating_sub(start_ns) as f64 * 1e-9,
            text: mark.text.clone(),
            moved: mark
                .moved
                .iter()
                .map(|m| MovedField {
                    bus: m.bus.clone(),
                    id: m.id.number(),
                    extended: m.id.is_extended(),
                    start: m.field.start(),
                    length: m.field.length(),
                    order: m.field.order().text(),
                    when: m.selector.map(When::from),
                    contrast: m.contrast,
                })
                .collect(),
        }
    }
}

impl FindOutput {
    pub(crate) fn new(captures: Vec<String>, frames: u64, findings: &Findings) -> Self {
        let (found, axle, side, to_tell, why) = match &findings.wheels {
            WheelAnswer::Found {
                axle_confidence,
                side_confidence,
                to_tell,
            } => (
                true,
                Some(*axle_confidence),
                Some(*side_confidence),
                to_tell.clone(),
                None,
            ),
            WheelAnswer::None { why } => (false, None, None, Vec::new(), Some(why.clone())),
        };
        Self {
            captures,
            frames,
            signals: findings.proposals.iter().map(FoundSignal::from).collect(),
            acceptance_score: ACCEPTANCE_SCORE,
            wheel_speeds: WheelSpeeds {
                found,
                axle_confidence: axle,
                side_confidence: side,
                to_tell,
                why,
            },
            reference: findings.reference.map(|r| Reference {
                kind: r.kind.text(),
                lag_s: r.lag_s,
                coverage: r.coverage,
            }),
            marks: findings
                .marks
                .iter()
                .map(|m| FoundMark::new(m, findings.axis.t_ns().first().copied().unwrap_or(0)))
                .collect(),
            ids: findings.ids.iter().map(FoundId::from).collect(),
            text_log: None,
            out: None,
            sheet: None,
            pictures: None,
            warnings: findings.notes.clone(),
        }
    }
}

impl From<&Proposal> for FoundSignal {
    fn from(p: &Proposal) -> Self {
        Self {
            bus: p.bus.clone(),
            id: p.id.number(),
            extended: p.id.is_extended(),
            start: p.field.start(),
            length: p.field.length(),
            order: p.field.order().text(),
            signed: p.field.coding() == Coding::Signed,
            scale: p.scaling.map(|s| s.scale),
            offset: p.scaling.map(|s| s.offset),
            u_scale: p.scaling.map(|s| s.u_scale),
            u_offset: p.scaling.map(|s| s.u_offset),
            unit: p.scaling.map_or("", |s| s.unit.text()),
            role: p.meaning.text(),
            rank: p.rank,
            score: p.score,
            accepted: p.is_accepted(),
            unproven_bits: p.unproven_bits,
            when: p.selector.map(When::from),
            scale_note: p.scaling_note.clone(),
            evidence: p.evidence.clone(),
        }
    }
}

impl From<&IdReport> for FoundId {
    fn from(report: &IdReport) -> Self {
        let whole = |start: u16, length: u8, field: &Field| IdField {
            start,
            length,
            order: field.order().text(),
            signed: field.coding() == Coding::Signed,
            kind: if length == 1 { "flag" } else { "value" },
            checksum: None,
            codes: None,
        };
        let mut fields: Vec<IdField> = report
            .fields
            .iter()
            .map(|found| IdField {
                codes: Some(found.distinct),
                ..whole(found.field.start(), found.field.length(), &found.field)
            })
            .collect();
        fields.extend(report.guards.iter().map(|guard| IdField {
            start: guard.first_bit as u16,
            length: guard.bits as u8,
            order: "big",
            signed: false,
            kind: if guard.checksum.is_some() {
                "checksum"
            } else {
                "counter"
            },
            checksum: guard.checksum.map(|c| c.text()),
            codes: None,
        }));
        Self {
            bus: report.bus.clone(),
            id: report.id.number(),
            extended: report.id.is_extended(),
            frames: report.frames,
            length_bytes: report.length_bytes,
            period_ms: report.period_ms,
            timeout_ms: report.timeout_ms,
            when: report.selector.map(When::from),
            constant_bits: report.constant_bits,
            fields,
        }
    }
}
