//! A bounded sample of one identifier's frames: all of them at first, then one of every two, of every
//! four and so on, so that memory does not grow with the drive.

/// Most frames kept of one identifier: five minutes at 100 Hz, whole.
pub const MOST_ROWS: usize = 40_000;

/// Frames kept of one identifier, with equal room for each one's data.
///
/// The frames offered are divided into groups of `stride`, and row k is one frame of group k.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rows {
    t_ns: Vec<i64>,
    data: Vec<u8>,
    width: usize,
    /// Frames of a group, a power of two.
    stride: u64,
    offered: u64,
    /// The frame to be kept next, counted from 0.
    next: u64,
    most: usize,
}

/// Which of a group's frames is kept. Not the same in every group: a sender that goes round an even
/// number of contents would then show only some of them.
fn kept_of_group(group: u64, stride: u64) -> u64 {
    // The mixing of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014; constants from memory).
    let mixed = group.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ mixed >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    (mixed ^ mixed >> 31) % stride.max(1)
}

impl Rows {
    /// No rows yet, and never more than `most`, an even number.
    #[must_use]
    pub fn bounded(most: usize) -> Self {
        Self {
            stride: 1,
            most: most.max(2) & !1,
            ..Self::default()
        }
    }

    /// Offers a frame; shorter data count as followed by zeros.
    #[inline]
    pub fn offer(&mut self, t_ns: i64, data: &[u8]) {
        let frame = self.offered;
        self.offered += 1;
        if frame == self.next {
            self.keep(t_ns, data);
            let group = self.t_ns.len() as u64;
            self.next = group.saturating_mul(self.stride) + kept_of_group(group, self.stride);
        }
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
        for row in 0..self.t_ns.len() {
            data.extend_from_slice(self.data(row));
            data.resize((row + 1) * width, 0);
        }
        self.data = data;
        self.width = width;
    }

    /// Makes one group of every two and one row of theirs.
    fn thin(&mut self) {
        let width = self.width;
        let kept = self.t_ns.len() / 2;
        for row in 0..kept {
            let from = 2 * row + kept_of_group(row as u64, 2) as usize;
            self.data
                .copy_within(from * width..(from + 1) * width, row * width);
            self.t_ns.swap(row, from);
        }
        self.t_ns.truncate(kept);
        self.data.truncate(kept * width);
        self.stride = self.stride.saturating_mul(2);
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

    /// Puts them in the order of their times.
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

    /// Numbered frames whose second byte goes round so many codes.
    fn going_round(codes: u16, frames: u16, most: usize) -> Rows {
        let mut rows = Rows::bounded(most);
        for n in 0..frames {
            let [high, low] = n.to_be_bytes();
            rows.offer(i64::from(n), &[high, low, (n % codes) as u8]);
        }
        rows
    }

    #[test]
    fn what_is_kept_is_spread_over_all_and_bounded() {
        let rows = going_round(1, 1000, 16);
        assert!(rows.len() < 16 && rows.len() >= 7, "{}", rows.len());
        let stride = rows.stride as i64;
        assert_eq!(stride, 64);
        assert!(
            rows.t_ns()
                .windows(2)
                .all(|w| (1..2 * stride).contains(&(w[1] - w[0])))
        );
        assert!(rows.t_ns()[0] < stride && 1000 - rows.t_ns()[rows.len() - 1] <= 2 * stride);
        for (t_ns, data) in rows.iter() {
            assert_eq!(data[..2], (t_ns as u16).to_be_bytes());
        }
    }

    #[test]
    fn of_contents_by_turns_each_keeps_a_like_share() {
        for codes in [2, 3, 4, 8, 16] {
            let rows = going_round(codes, 50_000, 2048);
            for code in 0..codes {
                let kept = rows.iter().filter(|(_, data)| u16::from(data[2]) == code);
                let share = kept.count() as f64 / rows.len() as f64 * f64::from(codes);
                assert!((0.6..1.4).contains(&share), "{code} of {codes}: {share}");
            }
        }
    }

    #[test]
    fn empty_frames_before_the_first_with_data_are_rows_of_zeros() {
        let mut rows = Rows::bounded(16);
        rows.offer(0, &[]);
        rows.offer(1, &[]);
        rows.offer(2, &[5, 6]);
        let kept: Vec<(i64, &[u8])> = rows.iter().collect();
        let zeros: &[u8] = &[0, 0];
        assert_eq!(kept, [(0, zeros), (1, zeros), (2, &[5, 6])]);
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
