//! Slip over the last half minute as a strip of bars, the newest at the right.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

/// How far back it looks, s.
pub(super) const SPAN_S: f64 = 30.0;
/// The strip never shows less than this, m/s, so that noise does not look like slip.
const LEAST_TOP_MPS: f64 = 0.5;

const EIGHTHS: [&str; 9] = [" ", "▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"];

/// Samples of slip, oldest first: time, s, and m/s or nothing where there was no slip to tell.
pub(super) struct Strip<'a> {
    pub(super) samples: &'a [(f64, Option<f64>)],
    pub(super) now_s: f64,
}

impl Strip<'_> {
    /// What the top of the strip stands for, m/s: a round number that all bars fit under.
    pub(super) fn top_mps(&self) -> f64 {
        let most = self.samples.iter().filter_map(|(_, slip)| *slip);
        let most = most.filter(|v| v.is_finite()).fold(LEAST_TOP_MPS, f64::max);
        let rounds = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0];
        rounds.into_iter().find(|r| *r >= most).unwrap_or(most)
    }

    /// The largest slip in each of so many equal parts of the span.
    fn columns(&self, n: u16) -> Vec<Option<f64>> {
        let mut columns = vec![None; usize::from(n)];
        for (t_s, slip) in self.samples {
            let share = 1.0 - (self.now_s - t_s) / SPAN_S;
            // The cast goes to nought for a time before the span, which is left out here.
            if !(0.0..=1.0).contains(&share) {
                continue;
            }
            let at = ((share * f64::from(n)) as usize).min(usize::from(n).saturating_sub(1));
            if let (Some(column), Some(slip)) = (columns.get_mut(at), slip) {
                *column = Some(column.map_or(*slip, |most: f64| most.max(*slip)));
            }
        }
        columns
    }
}

impl Widget for Strip<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let top = self.top_mps();
        let full = f64::from(area.height) * 8.0;
        for (x, value) in (area.left()..area.right()).zip(self.columns(area.width)) {
            let eighths = value.map(|v| (v / top * full).round().clamp(0.0, full) as usize);
            for (row, y) in (area.top()..area.bottom()).rev().enumerate() {
                let sign = match eighths {
                    // Nothing was known then; that is not the same as no slip.
                    None if row == 0 => "·",
                    None => " ",
                    Some(0) if row == 0 => "▁",
                    Some(eighths) => EIGHTHS[eighths.saturating_sub(row * 8).min(8)],
                };
                if let Some(cell) = buffer.cell_mut((x, y)) {
                    cell.set_symbol(sign);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_stand_where_the_slip_was() {
        let samples: Vec<(f64, Option<f64>)> = (0..300)
            .map(|i| {
                let t_s = f64::from(i) * 0.1;
                let slip = if (15.0..18.0).contains(&t_s) {
                    1.5
                } else {
                    0.0
                };
                (t_s, (t_s > 3.0).then_some(slip))
            })
            .collect();
        let strip = Strip {
            samples: &samples,
            now_s: 30.0,
        };
        assert_eq!(strip.top_mps(), 2.0);
        let area = Rect::new(0, 0, 30, 2);
        let mut buffer = Buffer::empty(area);
        strip.render(area, &mut buffer);
        let lines: Vec<String> = (0..2)
            .map(|y| (0..30).map(|x| buffer[(x, y)].symbol()).collect())
            .collect();
        insta::assert_snapshot!(lines.join("\n"), @r"
                       ▄▄▄            
        ···▁▁▁▁▁▁▁▁▁▁▁▁███▁▁▁▁▁▁▁▁▁▁▁▁
        ");
    }
}
