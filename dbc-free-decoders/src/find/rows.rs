//! A bounded sample of one identifier's frames: all of them at first, then every second, every
//! fourth and so on, so that memory does not grow with the drive.

/// Most frames kept of one identifier: five minutes at 100 Hz, whole.
pub const MOST_ROWS: usize = 40_000;

/// Frames kept of one identifier, with equal room for each one's data.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rows {
    t_ns: Vec<i64>,
    data: Vec<u8>,
    width: usize,
    /// Every how manieth frame is kept.
    stride: u32,
    to_skip: u32,
    most: usize,
}

impl Rows {
    /// No rows yet, and never more than `most`.
    #[must_use]
    pub fn bounded(most: usize) -> Self {
        Self {
            stride: 1,
            most: most.max(2),
            ..Self::default()
        }
    }

    /// Offers a frame; shorter data count as followed by zeros.
    #[inline]
    pub fn offer(&mut self, t_ns: i64, data: &[u8]) {
        if self.to_skip > 0 {
            self.to_skip -= 1;
            return;
        }
        // Set before keeping, which may thin and then knows better.
        self.to_skip = self.stride.saturating_sub(1);
        self.keep(t_ns, data);
    }

    fn keep(&mut self, t_ns: i64, data: &[u8]) {
        if data.len() > self.width {
            self.widen(data.len());
        }
        self.t_ns.push(t_ns);
        self.data.extend_from_slice(data);
        self.data.resize(self.t_ns.len() * self.width, 0);
        if self.t_ns.len() >= self.most {
            self.thin();
        }
    }

    fn widen(&mut self, width: usize) {
        let mut data = Vec::with_capacity(self.t_ns.len() * width);
        for row in self.data.chunks(self.width.max(1)) {
            data.extend_from_slice(row);
            data.resize(data.len().next_multiple_of(width), 0);
        }
        self.data = data;
        self.width = width;
    }

    fn thin(&mut self) {
        let width = self.width;
        let before = self.t_ns.len();
        let kept = before.div_ceil(2);
        for row in 1..kept {
            self.data
                .copy_within(2 * row * width..(2 * row + 1) * width, row * width);
            self.t_ns.swap(row, 2 * row);
        }
        self.t_ns.truncate(kept);
        self.data.truncate(kept * width);
        // Of an even number the last one is dropped, and the next to keep comes a step earlier.
        let step = if before.is_multiple_of(2) {
            self.stride
        } else {
            self.stride.saturating_mul(2)
        };
        self.stride = self.stride.saturating_mul(2);
        self.to_skip = step.saturating_sub(1);
    }

    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.t_ns.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.t_ns.is_empty()
    }

    /// Bytes of each.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Receive times, ns.
    #[must_use]
    pub fn t_ns(&self) -> &[i64] {
        &self.t_ns
    }

    /// The data of one.
    #[must_use]
    pub fn data(&self, row: usize) -> &[u8] {
        self.data
            .get(row * self.width..(row + 1) * self.width)
            .unwrap_or_default()
    }

    /// Time and data of each.
    pub fn iter(&self) -> impl Iterator<Item = (i64, &[u8])> {
        self.t_ns
            .iter()
            .enumerate()
            .map(|(row, &t)| (t, self.data(row)))
    }

    /// Puts them in the order of their times, as captures may be given in any order.
    pub fn sort(&mut self) {
        if self.t_ns.is_sorted() {
            return;
        }
        let mut order: Vec<usize> = (0..self.len()).collect();
        order.sort_by_key(|&row| self.t_ns.get(row).copied());
        let mut sorted = Self::bounded(usize::MAX);
        for row in order {
            if let Some(&t_ns) = self.t_ns.get(row) {
                sorted.keep(t_ns, self.data(row));
            }
        }
        self.t_ns = sorted.t_ns;
        self.data = sorted.data;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_evenly_spaced_and_bounded() {
        let mut rows = Rows::bounded(16);
        for n in 0_i64..1000 {
            rows.offer(n, &(n as u16).to_be_bytes());
        }
        assert!(rows.len() < 16 && rows.len() >= 7, "{}", rows.len());
        let steps: Vec<i64> = rows.t_ns().windows(2).map(|w| w[1] - w[0]).collect();
        assert!(steps.iter().all(|&step| step == steps[0]), "{steps:?}");
        for (t_ns, data) in rows.iter() {
            assert_eq!(data, (t_ns as u16).to_be_bytes());
        }
    }

    #[test]
    fn a_longer_frame_widens_the_shorter_ones_with_zeros() {
        let mut rows = Rows::bounded(16);
        rows.offer(0, &[1]);
        rows.offer(1, &[2, 3, 4]);
        rows.offer(2, &[]);
        let data: Vec<&[u8]> = rows.iter().map(|(_, data)| data).collect();
        assert_eq!(data, [[1, 0, 0], [2, 3, 4], [0, 0, 0]]);
    }
}
