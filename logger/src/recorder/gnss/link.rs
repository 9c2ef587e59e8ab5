//! The connection to a receiver: comes, goes and comes back without anyone's help. That there is
//! none is no error.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;

use super::{Fix, gpsd, nmea};
use crate::system_error;

/// Where reports come from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Receiver {
    /// The gpsd server at this host and port.
    Gpsd(String),
    /// A serial device that speaks NMEA 0183.
    Serial {
        /// The device.
        path: String,
        /// Its speed, bit/s.
        baud: u32,
    },
}

/// The port that gpsd listens on (registered with IANA).
const GPSD_PORT: u16 = 2_947;
/// The speed of NMEA 0183.
const NMEA_BAUD: u32 = 4_800;

impl fmt::Display for Receiver {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Gpsd(address) => write!(f, "gpsd at {address}"),
            Self::Serial { path, baud } => write!(f, "{path} at {baud} bit/s"),
        }
    }
}

/// The text names no receiver.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{0}\" is no receiver; give gpsd, gpsd:HOST, gpsd:HOST:PORT, or a serial device such as /dev/ttyUSB0 or /dev/ttyUSB0@9600"
)]
pub struct NotAReceiver(String);

impl FromStr for Receiver {
    type Err = NotAReceiver;

    fn from_str(text: &str) -> Result<Self, NotAReceiver> {
        let wrong = || NotAReceiver(text.to_owned());
        if let Some(rest) = text.strip_prefix("gpsd") {
            return match rest.strip_prefix(':') {
                None if rest.is_empty() => Ok(Self::Gpsd(format!("localhost:{GPSD_PORT}"))),
                Some(host) if !host.is_empty() && !host.contains(':') => {
                    Ok(Self::Gpsd(format!("{host}:{GPSD_PORT}")))
                }
                Some(address) if !address.is_empty() => Ok(Self::Gpsd(address.to_owned())),
                _ => Err(wrong()),
            };
        }
        if !text.starts_with('/') {
            return Err(wrong());
        }
        let (path, baud) = match text.rsplit_once('@') {
            Some((path, baud)) => (path, baud.parse().map_err(|_| wrong())?),
            None => (text, NMEA_BAUD),
        };
        Ok(Self::Serial {
            path: path.to_owned(),
            baud,
        })
    }
}

/// Longest line taken; gpsd's list of satellites is a few thousand bytes.
const LONGEST_LINE_BYTES: u64 = 1 << 16;
/// Pause before the next try.
const RETRY: Duration = Duration::from_secs(2);

/// Gives every fix to `told`, for ever. `said` gets one line when the connection comes or goes.
pub async fn follow(receiver: &Receiver, mut told: impl FnMut(Fix), mut said: impl FnMut(&str)) {
    let mut connected = None;
    loop {
        let result = once(receiver, &mut told, || {
            said(&format!("satellite speed comes from {receiver}"));
        });
        let (came, why) = match result.await {
            Ok(()) => (true, "it ended the connection".to_owned()),
            Err((came, error)) => (came, system_error::plain(&error)),
        };
        // Absence is told once, and again only after a connection was there.
        if came || connected.is_none() {
            said(&format!(
                "no satellite speed from {receiver}: {why}; trying again"
            ));
        }
        connected = Some(came);
        tokio::time::sleep(RETRY).await;
    }
}

/// One connection until it ends. The error says whether it had come about.
async fn once(
    receiver: &Receiver,
    told: &mut impl FnMut(Fix),
    mut came: impl FnMut(),
) -> Result<(), (bool, std::io::Error)> {
    match receiver {
        Receiver::Gpsd(address) => {
            let mut server = TcpStream::connect(address).await.map_err(|e| (false, e))?;
            server
                .write_all(gpsd::WATCH.as_bytes())
                .await
                .map_err(|e| (false, e))?;
            came();
            let mut reader = gpsd::Reader::default();
            lines(server, |line| {
                reader.line(line).into_iter().for_each(&mut *told)
            })
            .await
        }
        Receiver::Serial { path, baud } => {
            let port = serial2_tokio::SerialPort::open(path, *baud).map_err(|e| (false, e))?;
            came();
            let mut reader = nmea::Reader::default();
            lines(port, |line| {
                reader.line(line).into_iter().for_each(&mut *told)
            })
            .await
        }
    }
    .map_err(|e| (true, e))
}

/// Hands out whole lines. One that is too long, or no text, is passed over.
async fn lines(from: impl AsyncRead + Unpin, mut line: impl FnMut(&str)) -> std::io::Result<()> {
    let mut reader = BufReader::new(from);
    let mut bytes = Vec::new();
    let mut within_long = false;
    loop {
        bytes.clear();
        let read = (&mut reader)
            .take(LONGEST_LINE_BYTES)
            .read_until(b'\n', &mut bytes)
            .await?;
        if read == 0 {
            return Ok(());
        }
        let is_long = read as u64 == LONGEST_LINE_BYTES && !bytes.ends_with(b"\n");
        if !is_long
            && !within_long
            && let Ok(text) = std::str::from_utf8(&bytes)
        {
            line(text);
        }
        within_long = is_long;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn receivers_are_named_in_five_ways() {
        let gpsd = |address: &str| Ok(Receiver::Gpsd(address.to_owned()));
        assert_eq!("gpsd".parse(), gpsd("localhost:2947"));
        assert_eq!("gpsd:car".parse(), gpsd("car:2947"));
        assert_eq!("gpsd:car:9".parse(), gpsd("car:9"));
        let serial = |baud| {
            Ok(Receiver::Serial {
                path: "/dev/ttyUSB0".to_owned(),
                baud,
            })
        };
        assert_eq!("/dev/ttyUSB0".parse(), serial(4_800));
        assert_eq!("/dev/ttyUSB0@9600".parse(), serial(9_600));
        for wrong in ["", "gpsd:", "gpsdx", "ttyUSB0", "/dev/ttyUSB0@fast"] {
            assert!(wrong.parse::<Receiver>().is_err(), "{wrong}");
        }
    }

    /// A serial device played by a pair of pseudo-terminals, fed with a recording of a receiver (its
    /// head names the source).
    #[tokio::test]
    async fn a_serial_receiver_is_followed_through_a_fault() {
        const RECORDING: &str = include_str!("../../../../tests/real-bus/drive.nmea");
        // The pair does not tell its name; it is the terminal that this process has since then.
        let terminals = || -> Vec<std::path::PathBuf> {
            std::fs::read_dir("/proc/self/fd")
                .unwrap()
                .filter_map(|fd| std::fs::read_link(fd.ok()?.path()).ok())
                .filter(|path| path.starts_with("/dev/pts"))
                .collect()
        };
        let before = terminals();
        let (ours, _theirs) = serial2_tokio::SerialPort::pair().unwrap();
        let path = terminals()
            .into_iter()
            .find(|path| !before.contains(path) && path != std::path::Path::new("/dev/pts/ptmx"))
            .unwrap();
        let receiver: Receiver = format!("{}@9600", path.display()).parse().unwrap();
        // The same speeds in another field: VTG has km/h, RMC knots.
        let told: Vec<f64> = RECORDING
            .lines()
            .filter(|line| line.starts_with("$GPVTG"))
            .map(|line| line.split(',').nth(7).unwrap().parse::<f64>().unwrap() / 3.6)
            .collect();
        let (mut fixes, mut said) = (Vec::new(), Vec::new());
        let play = async {
            // A receiver that was read in the middle of a sentence, and noise on the line.
            ours.write_all(b"0,A*66\r\n\xFF\x00$GPRMC,09\r\n")
                .await
                .unwrap();
            for line in RECORDING.lines().filter(|line| !line.starts_with('#')) {
                ours.write_all(format!("{line}\r\n").as_bytes())
                    .await
                    .unwrap();
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
            tokio::time::sleep(Duration::from_millis(300)).await;
        };
        let follow = follow(
            &receiver,
            |fix| fixes.push(fix),
            |text| said.push(text.to_owned()),
        );
        tokio::select! {
            () = follow => unreachable!(),
            () = play => {}
        }
        assert!(said[0].contains("9600 bit/s"), "{said:?}");
        assert_eq!(fixes.len(), told.len());
        for (fix, told) in fixes.iter().zip(told) {
            let speed = fix.speed_mps.unwrap();
            assert!((speed - told).abs() < 0.005, "{speed} instead of {told}");
            assert_eq!((fix.mode, fix.satellites.is_some()), (3, true));
        }
    }

    #[tokio::test]
    async fn lines_survive_rubbish_between_them() {
        let mut long = vec![b'x'; LONGEST_LINE_BYTES as usize + 10];
        long.extend(b"\nfirst\r\n\xFF\xFE\nsecond\nlast");
        let mut seen = Vec::new();
        lines(long.as_slice(), |line| seen.push(line.trim().to_owned()))
            .await
            .unwrap();
        assert_eq!(seen, ["first", "second", "last"]);
    }
}
