//! A quantity on the drive's time base, in which a missing value is missing and not a number.

/// Values on a shared time base; each is there or missing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Column {
    value: Vec<f64>,
    present: Vec<bool>,
}

impl Column {
    /// An empty column with room for `n` values.
    #[must_use]
    pub fn with_capacity(n: usize) -> Self {
        Self {
            value: Vec::with_capacity(n),
            present: Vec::with_capacity(n),
        }
    }

    /// Appends a value; one that is not finite counts as missing.
    pub fn push(&mut self, value: Option<f64>) {
        let value = value.filter(|v| v.is_finite());
        self.present.push(value.is_some());
        self.value.push(value.unwrap_or(0.0));
    }

    /// The value at an index; `None` if missing or beyond the end.
    #[must_use]
    pub fn get(&self, i: usize) -> Option<f64> {
        self.present
            .get(i)
            .copied()
            .unwrap_or(false)
            .then(|| self.value[i])
    }

    /// Number of places, with or without a value.
    #[must_use]
    pub fn len(&self) -> usize {
        self.value.len()
    }

    /// Whether there are no places at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.value.is_empty()
    }

    /// Every place in order.
    pub fn iter(&self) -> impl Iterator<Item = Option<f64>> + '_ {
        (0..self.len()).map(|i| self.get(i))
    }

    /// How many values are there.
    #[must_use]
    pub fn count(&self) -> usize {
        self.present.iter().filter(|&&p| p).count()
    }
}

impl FromIterator<Option<f64>> for Column {
    fn from_iter<I: IntoIterator<Item = Option<f64>>>(values: I) -> Self {
        let values = values.into_iter();
        let mut column = Self::with_capacity(values.size_hint().0);
        for value in values {
            column.push(value);
        }
        column
    }
}
