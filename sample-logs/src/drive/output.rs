//! Puts frames and truth rows of a drive in order and gives them to its sink.

use super::DriveSink;
use crate::bus::Received;
use crate::truth::{EngagementFinder, Row, TableBuilder, TrueEngagement};

/// Puts frames and rows in order and gives them to the sink.
pub(super) struct Output {
    start_ns: i64,
    pub(super) received: Vec<Received>,
    /// When the first and last frame came, ns from the drive's start.
    first_ns: Option<i64>,
    last_ns: i64,
    pub(super) frames: u64,
    /// Rows before the first frame: their time cannot be told yet.
    early: Vec<Row>,
    table: TableBuilder,
    finder: Option<EngagementFinder>,
    found: Vec<TrueEngagement>,
}

impl Output {
    pub(super) fn new(start_ns: i64, finder: EngagementFinder) -> Self {
        Self {
            start_ns,
            received: Vec::new(),
            first_ns: None,
            last_ns: 0,
            frames: 0,
            early: Vec::new(),
            table: TableBuilder::default(),
            finder: Some(finder),
            found: Vec::new(),
        }
    }

    /// Hands on what was received before `t_ns`; nothing earlier can come any more.
    fn frames_until<S: DriveSink>(&mut self, t_ns: i64, sink: &mut S) -> Result<(), S::Error> {
        self.received.sort_by_key(|frame| frame.t_ns);
        let ready = self.received.partition_point(|frame| frame.t_ns < t_ns);
        for received in self.received.drain(..ready) {
            self.first_ns.get_or_insert(received.t_ns);
            self.last_ns = received.t_ns;
            self.frames += 1;
            sink.frame(&received.frame(self.start_ns))?;
        }
        Ok(())
    }

    pub(super) fn take<S: DriveSink>(
        &mut self,
        row: &Row,
        t_ns: i64,
        sink: &mut S,
    ) -> Result<(), S::Error> {
        // A frame that begins before this row may end after it, but none that begins later can
        // end before it.
        self.frames_until(t_ns, sink)?;
        match self.first_ns {
            None => self.early.push(*row),
            Some(_) => {
                for row in std::mem::take(&mut self.early) {
                    self.row(row, sink)?;
                }
                self.row(*row, sink)?;
            }
        }
        Ok(())
    }

    fn row<S: DriveSink>(&mut self, mut row: Row, sink: &mut S) -> Result<(), S::Error> {
        row.t_s -= self.first_ns.unwrap_or(0) as f64 * 1e-9;
        if let Some(finder) = &mut self.finder {
            finder.push(&row);
        }
        if sink.wants_truth()
            && let Some(table) = self.table.push(&row)
        {
            sink.truth(table)?;
        }
        Ok(())
    }

    pub(super) fn finish<S: DriveSink>(&mut self, sink: &mut S) -> Result<(), S::Error> {
        self.frames_until(i64::MAX, sink)?;
        for row in std::mem::take(&mut self.early) {
            self.row(row, sink)?;
        }
        if sink.wants_truth() {
            let table = self.table.take();
            if table.rows() > 0 {
                sink.truth(table)?;
            }
        }
        if let Some(finder) = self.finder.take() {
            self.found = finder.into_engagements();
        }
        Ok(())
    }

    pub(super) fn duration_s(&self) -> f64 {
        (self.last_ns - self.first_ns.unwrap_or(0)) as f64 * 1e-9
    }

    pub(super) fn engagements(&mut self) -> Vec<TrueEngagement> {
        std::mem::take(&mut self.found)
    }
}
