//! A terminal for programs that want one: a pseudo terminal (pts(4)) whose other end is read and
//! written here.
//!
//! No crate at hand makes one, so the system calls are made here; each is given memory that outlives
//! it.
#![allow(unsafe_code)]

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Lines and columns that programs are told.
const SIZE: (u16, u16) = (28, 100);

/// The end that a person would sit at.
pub(crate) struct Terminal {
    keyboard: File,
    seen: Arc<Mutex<Vec<u8>>>,
}

fn check(result: i32) -> io::Result<()> {
    match result {
        0.. => Ok(()),
        _ => Err(io::Error::last_os_error()),
    }
}

impl Terminal {
    /// Starts a program in a terminal of its own, as a login would.
    pub(crate) fn run(command: &mut Command) -> io::Result<(Self, Child)> {
        let keyboard = File::options().read(true).write(true).open("/dev/ptmx")?;
        let (locked, mut number) = (0_i32, 0_i32);
        let size = libc::winsize {
            ws_row: SIZE.0,
            ws_col: SIZE.1,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        let fd = keyboard.as_raw_fd();
        check(unsafe { libc::ioctl(fd, libc::TIOCSPTLCK, &raw const locked) })?;
        check(unsafe { libc::ioctl(fd, libc::TIOCGPTN, &raw mut number) })?;
        check(unsafe { libc::ioctl(fd, libc::TIOCSWINSZ, &raw const size) })?;
        let place = format!("/dev/pts/{number}");
        let line = File::options().read(true).write(true).open(place)?;
        command
            .stdin(Stdio::from(line.try_clone()?))
            .stdout(Stdio::from(line.try_clone()?))
            .stderr(Stdio::from(line));
        // Between fork and exec only these two system calls are made.
        unsafe {
            command.pre_exec(|| {
                check(libc::setsid())?;
                check(libc::ioctl(0, libc::TIOCSCTTY, 0))
            });
        }
        let child = command.spawn()?;
        // The parent's copies of the line would keep the terminal from ever ending.
        command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        let seen = Arc::new(Mutex::new(Vec::new()));
        let (mut screen, shown) = (keyboard.try_clone()?, Arc::clone(&seen));
        std::thread::spawn(move || {
            let mut part = [0; 4_096];
            while let Ok(length @ 1..) = screen.read(&mut part) {
                let mut shown = shown.lock().unwrap_or_else(PoisonError::into_inner);
                shown.extend_from_slice(&part[..length]);
            }
        });
        Ok((Self { keyboard, seen }, child))
    }

    /// Presses keys.
    pub(crate) fn press(&mut self, keys: &str) -> io::Result<()> {
        self.keyboard.write_all(keys.as_bytes())
    }

    /// Waits until these words have been written since the last time; cells that already showed the
    /// same letter are not written again, so a word counts only where it stands on blank.
    pub(crate) fn sees(&mut self, words: &str) -> Result<(), String> {
        let since = Instant::now();
        loop {
            let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
            let at = seen
                .windows(words.len())
                .position(|part| part == words.as_bytes());
            if let Some(at) = at {
                seen.drain(..at + words.len());
                return Ok(());
            }
            if since.elapsed() > Duration::from_secs(60) {
                let tail = seen.len().saturating_sub(2_000);
                let tail = String::from_utf8_lossy(&seen[tail..]).into_owned();
                return Err(format!("never saw {words:?}, but {tail:?}"));
            }
            drop(seen);
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}
