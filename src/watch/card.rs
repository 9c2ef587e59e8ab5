//! The test card: what to drive next, what is in hand, what is still needed.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Clear, Paragraph, Wrap};
use slipwright_analysis::report::page::{CAUTIONS, visible};
use slipwright_analysis::test_card::{Tally, next};

use super::model::Model;
use super::screen::STRONG;

/// The card's widest and highest, cells.
const SIZE: (u16, u16) = (76, 20);

/// What is in hand, in two lines for the main screen.
pub(super) fn in_short(model: &Model) -> Vec<Line<'static>> {
    match model.tally() {
        Some(Ok(tally)) => vec![
            Line::raw(format!("in hand     {}", in_hand(model, tally))),
            Line::from(vec![
                Span::raw("next        "),
                Span::styled(next(&model.need, tally).text(&model.need), STRONG),
            ]),
        ],
        _ => vec![Line::raw(format!("in hand     {}", unknown(model)))],
    }
}

fn in_hand(model: &Model, tally: &Tally) -> String {
    format!(
        "{} of {} launches, {} of {} tip-ins",
        tally.launches, model.need.launches, tally.tip_ins, model.need.tip_ins
    )
}

/// Why it is not known what the drive holds.
fn unknown(model: &Model) -> String {
    match (model.tally(), &model.no_count) {
        (Some(Err(why)), _) => visible(why),
        (_, Some(why)) => why.clone(),
        _ => "counted soon after the first engagement".to_owned(),
    }
}

/// Draws the card over the screen.
pub(super) fn draw(frame: &mut Frame<'_>, model: &Model, area: Rect) {
    let (width, height) = (SIZE.0.min(area.width), SIZE.1.min(area.height));
    let place = Rect {
        x: area.x + (area.width - width) / 2,
        y: area.y + (area.height - height) / 2,
        width,
        height,
    };
    let mut lines = Vec::new();
    match model.tally() {
        Some(Ok(tally)) => lines.extend(of_tally(model, tally)),
        _ => lines.push(Line::raw(format!("In hand: {}.", unknown(model)))),
    }
    lines.push(Line::raw(format!(
        "The comparison needs {} drives before the work and as many after it, each with {} launches \
         and {} tip-ins like one another, and a minute of gentle straight coasting.",
        model.need.drives, model.need.launches, model.need.tip_ins
    )));
    lines.push(Line::default());
    lines.extend(CAUTIONS.iter().take(3).map(|text| Line::raw(*text)));
    lines.push(Line::default());
    lines.push(Line::raw("c closes the card"));
    let block = Block::bordered().title(Span::styled(" Test card ", STRONG));
    frame.render_widget(Clear, place);
    frame.render_widget(
        Paragraph::new(lines).block(block).wrap(Wrap { trim: true }),
        place,
    );
}

fn of_tally(model: &Model, tally: &Tally) -> Vec<Line<'static>> {
    let need = &model.need;
    let row = |name: &str, have: usize, need: usize| {
        let missing = match need.saturating_sub(have) {
            0 => "enough".to_owned(),
            n => format!("{n} still needed"),
        };
        Line::raw(format!("{name:<10} {have:>3} of {need:<3} {missing}"))
    };
    let coasting = if tally.has_coasted {
        "enough for the tyres' rolling radii"
    } else {
        "still needed"
    };
    let mut lines = vec![
        Line::from(vec![
            Span::raw("Next: "),
            Span::styled(next(need, tally).text(need), STRONG),
        ]),
        Line::default(),
        row("launches", tally.launches, need.launches),
        row("tip-ins", tally.tip_ins, need.tip_ins),
        Line::raw(format!("coasting   {coasting}")),
    ];
    for (kind, why, n) in &tally.refused {
        lines.push(Line::raw(format!(
            "not counted: {n} {}, {}",
            kind.text(),
            visible(why)
        )));
    }
    lines.push(Line::default());
    lines
}
