//! The model on the screen. What matters most stands largest; every warning is a sentence.

use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Borders, Paragraph, Wrap};
use slipwright_analysis::report::page::visible;
use slipwright_decoders::role::Role;
use slipwright_logger::recorder::live::{BusStatus, SignalStatus};

use super::model::{Model, NEEDED, word};
use super::strip::{SPAN_S, Strip};
use super::{card, numerals};

/// Warnings shown at once.
const MOST_WARNINGS: usize = 4;
const WHEELS: [(&str, Role); 4] = [
    ("front left", Role::WheelSpeedFrontLeft),
    ("front right", Role::WheelSpeedFrontRight),
    ("rear left", Role::WheelSpeedRearLeft),
    ("rear right", Role::WheelSpeedRearRight),
];

pub(super) const STRONG: Style = Style::new().add_modifier(Modifier::BOLD);
const QUIET: Style = Style::new().add_modifier(Modifier::DIM);
const ALARM: Style = Style::new().add_modifier(Modifier::BOLD.union(Modifier::REVERSED));

/// Draws everything.
pub(super) fn draw(frame: &mut Frame<'_>, model: &Model, now_s: f64) {
    let warnings = model.warnings(now_s);
    let shown = warnings.len().min(MOST_WARNINGS);
    let area = frame.area();
    let [head, alarms, slip, middle, foot] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(u16::try_from(shown).unwrap_or(0)),
        Constraint::Length(numerals::LINES + 2),
        Constraint::Min(6),
        Constraint::Length(1),
    ])
    .areas(area);
    frame.render_widget(headline(model), head);
    frame.render_widget(alarm_lines(&warnings), alarms);
    draw_slip(frame, model, now_s, slip);
    let [left, right] = Layout::horizontal([Constraint::Percentage(45), Constraint::Fill(1)])
        .spacing(1)
        .areas(middle);
    draw_signals(frame, model, left);
    draw_recording(frame, model, right);
    frame.render_widget(footer(model, now_s), foot);
    if model.shows_card {
        card::draw(frame, model, area);
    }
}

/// A box with its name.
pub(super) fn boxed(name: &str) -> Block<'_> {
    Block::new()
        .borders(Borders::TOP)
        .title(Span::styled(format!("{name} "), STRONG))
}

fn headline(model: &Model) -> Line<'_> {
    let Some(status) = &model.status else {
        return Line::styled("slipwright: waiting for the recorder", STRONG);
    };
    match &status.drive {
        Some(drive) => Line::from(vec![
            Span::styled("RECORDING ", STRONG),
            Span::raw(format!(
                "{}   {} long   {}   {} frames",
                visible(&drive.folder),
                minutes(drive.length_s),
                counted(drive.marks, "mark", "marks"),
                drive.frames
            )),
        ]),
        None => Line::styled("NOT RECORDING, waiting for a bus to wake", STRONG),
    }
}

/// Minutes and seconds, or hours and minutes.
fn minutes(seconds: f64) -> String {
    let whole = seconds.max(0.0) as u64;
    match whole / 3_600 {
        0 => format!("{} min {:02} s", whole / 60, whole % 60),
        hours => format!("{hours} h {:02} min", whole / 60 % 60),
    }
}

pub(super) fn counted(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

fn alarm_lines(warnings: &[String]) -> Paragraph<'_> {
    let more = warnings.len().saturating_sub(MOST_WARNINGS);
    let mut lines: Vec<Line<'_>> = warnings
        .iter()
        .take(MOST_WARNINGS)
        .map(|text| {
            Line::from(vec![
                Span::styled(" WARNING ", ALARM),
                Span::raw(" "),
                Span::styled(visible(text), STRONG),
            ])
        })
        .collect();
    if let (Some(last), true) = (lines.last_mut(), more > 0) {
        last.push_span(Span::raw(format!(" (and {more} more)")));
    }
    Paragraph::new(lines)
}

fn draw_slip(frame: &mut Frame<'_>, model: &Model, now_s: f64, area: Rect) {
    let strip = Strip {
        samples: model.slip_samples(),
        now_s,
    };
    let block = boxed("Front-rear slip, m/s");
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let [number, time] =
        Layout::horizontal([Constraint::Length(34), Constraint::Fill(1)]).areas(inner);
    let slip = model.status.as_ref().and_then(|s| s.slip_mps);
    let slip = slip.filter(|_| model.is_live(now_s));
    match slip {
        Some(slip) => {
            let rounded = format!("{slip:.2}");
            let text = if rounded == "-0.00" { "0.00" } else { &rounded };
            let lines: Vec<Line<'_>> = numerals::large(text)
                .into_iter()
                .map(|line| Line::styled(line, STRONG))
                .collect();
            frame.render_widget(Paragraph::new(lines), number);
        }
        None => {
            let why = model.status.as_ref().and_then(|s| s.slip_why.as_deref());
            let why = match (why, &model.status) {
                (Some(why), _) if model.is_live(now_s) => visible(why),
                (None, Some(s)) if s.signals.is_empty() => {
                    "the recorder was started without --vehicle".to_owned()
                }
                _ => "nothing known now".to_owned(),
            };
            let text = Paragraph::new(vec![Line::styled("no slip", STRONG), Line::raw(why)]);
            frame.render_widget(text.wrap(Wrap { trim: true }), number);
        }
    }
    let [bars, caption] = Layout::vertical([Constraint::Min(1), Constraint::Length(1)]).areas(time);
    let top = strip.top_mps();
    frame.render_widget(strip, bars);
    let text = format!("last {SPAN_S:.0} s; full height {top} m/s; · not known");
    frame.render_widget(Line::styled(text, QUIET), caption);
}

/// A value with its unit; a dash where there is none.
fn value(signal: Option<&SignalStatus>) -> String {
    match signal.and_then(|s| Some((s.value?, &s.unit))) {
        Some((value, unit)) => {
            let digits = format!("{value:.1}");
            let digits = if digits == "-0.0" { "0.0" } else { &digits };
            format!("{digits:>8} {unit}")
        }
        None => format!("{:>8}", "-"),
    }
}

fn draw_signals(frame: &mut Frame<'_>, model: &Model, area: Rect) {
    let line = |name: &str, role: Role| {
        let signal = model.signal(role);
        let state = signal.map_or_else(|| "not in the decoder file".to_owned(), word);
        let style = if state == "alive" { QUIET } else { STRONG };
        Line::from(vec![
            Span::raw(format!("{name:<12}")),
            Span::styled(format!("{:<14}", value(signal)), STRONG),
            Span::styled(state, style),
        ])
    };
    let mut lines: Vec<Line<'_>> = WHEELS
        .iter()
        .map(|(name, role)| line(name, *role))
        .collect();
    lines.push(line("demand", Role::CouplingDemand));
    lines.push(line("pressure", Role::CouplingPressure));
    lines.extend(others(model));
    frame.render_widget(
        Paragraph::new(lines).block(boxed("Wheels and coupling")),
        area,
    );
}

/// The other signals in one line.
fn others(model: &Model) -> Option<Line<'static>> {
    let signals = &model.status.as_ref()?.signals;
    let others: Vec<&SignalStatus> = signals
        .iter()
        .filter(|s| !NEEDED.iter().any(|role| role.text() == s.role))
        .collect();
    let alive = others.iter().filter(|s| word(s) == "alive").count();
    (!others.is_empty()).then(|| {
        Line::styled(
            format!("other signals: {alive} of {} alive", others.len()),
            QUIET,
        )
    })
}

fn draw_recording(frame: &mut Frame<'_>, model: &Model, area: Rect) {
    let mut lines = Vec::new();
    if let Some(status) = &model.status {
        lines.extend(status.buses.iter().map(bus));
        if let Some(free) = status.disk_free_bytes {
            let left = status.disk_left_s.map_or_else(String::new, |s| {
                format!(", enough for {}", minutes(s.min(360_000.0)))
            });
            lines.push(Line::raw(format!(
                "disk        {:.1} GB free{left}",
                free as f64 / 1e9
            )));
        }
        if let Some(gnss) = &status.gnss {
            let speed = gnss.speed_mps.map_or_else(
                || "no speed yet".to_owned(),
                |v| format!("{v:.1} m/s over ground"),
            );
            lines.push(Line::raw(format!("satellites  {speed}")));
        }
        if let Some(asking) = &status.asking {
            lines.push(Line::raw(format!(
                "requests    {} sent, {} answered",
                asking.asked, asking.answered
            )));
        }
    }
    lines.extend(card::in_short(model));
    let text = Paragraph::new(lines).wrap(Wrap { trim: false });
    frame.render_widget(text.block(boxed("Recording")), area);
}

fn bus(bus: &BusStatus) -> Line<'static> {
    let load = bus.load_percent.map_or_else(
        || "load unknown".to_owned(),
        |load| format!("load {load:.0} %"),
    );
    Line::raw(format!(
        "{:<11} {}, {:.0} frames/s, {load}, dropped {}",
        visible(&bus.name),
        bus.state,
        bus.rate_hz,
        bus.dropped
    ))
}

fn footer(model: &Model, now_s: f64) -> Line<'_> {
    if let Some(said) = model.said(now_s) {
        return Line::styled(visible(said), STRONG);
    }
    let end = if model.with_recorder {
        "   Ctrl-C ends the recording"
    } else {
        ""
    };
    Line::styled(
        format!("m mark   c test card   q leave, the recording goes on{end}"),
        QUIET,
    )
}
