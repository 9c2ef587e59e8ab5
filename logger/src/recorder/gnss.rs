//! Ground speed by satellite: from the gpsd server or a serial receiver, recorded as frames of our
//! own layout on an interface named `gnss` in the same capture.
//!
//! - [`layout`]: a fix as those frames; a decoder file's entry reads them like any other.
//! - [`gpsd`], [`nmea`]: from text to a [`Fix`].
//! - [`link`]: the connection, which may be absent and may come back.

pub mod gpsd;
pub mod layout;
pub mod link;
pub mod nmea;

/// One report of a receiver. What it did not tell is absent.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Fix {
    /// UTC time of the fix, ms since the epoch.
    pub utc_ms: Option<i64>,
    /// How many dimensions the fix has: 0 not told, 1 none, 2, 3.
    pub mode: u8,
    /// Ground speed, m/s.
    pub speed_mps: Option<f64>,
    /// Its 95 % uncertainty, m/s.
    pub speed_u_mps: Option<f64>,
    /// Course over ground, degrees from true north.
    pub course_deg: Option<f64>,
    /// Latitude, degrees north.
    pub latitude_deg: Option<f64>,
    /// Longitude, degrees east.
    pub longitude_deg: Option<f64>,
    /// Height above mean sea level, m.
    pub altitude_m: Option<f64>,
    /// Satellites used.
    pub satellites: Option<u8>,
}
