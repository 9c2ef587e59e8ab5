//! When the driveline has come to rest after the coupling moved: what is looked at begins and ends
//! clear of it. Common practice, no source.

/// The driveline swings when the pedal is let go; nothing counts this long before the release, s.
pub(super) const BEFORE_RELEASE_S: f64 = 0.08;
/// The closing and its own swing are over after this, s.
pub(super) const CLOSES_S: f64 = 0.4;
/// The coupling has let go, and the opening's swing is over, after this, s.
pub(super) const OPENS_S: f64 = 0.6;
