//! Threads, keys and the terminal. One thread asks the recorder, one counts, one reads keys; this one
//! draws. None of them can harm the recorder, which is another process.

use std::io;
use std::path::PathBuf;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use ratatui::Terminal;
use ratatui::backend::TermionBackend;
use ratatui::termion::event::Key;
use ratatui::termion::input::TermRead;
use ratatui::termion::raw::IntoRawMode;
use ratatui::termion::screen::IntoAlternateScreen;
use slipwright_analysis::test_card::Need;
use slipwright_logger::recorder::control::{self, ControlError, Reply, Request};
use slipwright_logger::recorder::live::Status;

use super::model::Model;
use super::{Count, Counter, screen};

/// Time from one question to the next, and least time between two drawings.
const EVERY: Duration = Duration::from_millis(100);
/// A recorder that the view belongs to and that has gone for this long will not come back.
const GONE_S: f64 = 3.0;

/// What the view is told.
pub(crate) struct Settings {
    /// The recorder's socket; the usual places if left out.
    pub(crate) socket: Option<PathBuf>,
    /// What counts the drive's engagements, or why nothing does.
    pub(crate) counter: Result<Counter, String>,
    /// What the comparison needs.
    pub(crate) need: Need,
    /// Whether the view was started by the recorder that it shows.
    pub(crate) with_recorder: bool,
}

/// How the view ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ended {
    /// The person left it.
    Left,
    /// The person asked for the end of the recording too.
    Stop,
}

enum News {
    Key(Key),
    Status(Result<Box<Status>, String>),
    Count(Count),
    Marked(String),
    /// The terminal is gone.
    NoKeys,
}

/// Where the drive that is on lies: folder of all drives, its own, the growing file.
type Place = Option<(PathBuf, String, String)>;

/// Shows the view until the person leaves it.
///
/// # Errors
///
/// The terminal cannot be used.
pub(crate) fn show(settings: Settings) -> io::Result<Ended> {
    let screen = io::stdout().into_raw_mode()?.into_alternate_screen()?;
    let mut terminal = Terminal::new(TermionBackend::new(screen))?;
    let (news, arrived) = mpsc::channel();
    let place = Arc::new(Mutex::new(None));
    read_keys(news.clone());
    ask(settings.socket.clone(), news.clone());
    let no_count = settings.counter.as_ref().err().cloned();
    if let Ok(counter) = settings.counter {
        count(counter, Arc::clone(&place), news.clone());
    }
    let mut view = View {
        model: Model::new(settings.need, settings.with_recorder, no_count),
        socket: settings.socket,
        place,
        news,
        begin: Instant::now(),
        gone_since_s: None,
        marks: 0,
    };
    terminal.hide_cursor()?;
    let ended = view.run(&arrived, &mut |model, now_s| {
        terminal.draw(|frame| screen::draw(frame, model, now_s))?;
        Ok(())
    });
    terminal.show_cursor()?;
    ended
}

struct View {
    model: Model,
    socket: Option<PathBuf>,
    place: Arc<Mutex<Place>>,
    news: Sender<News>,
    begin: Instant,
    gone_since_s: Option<f64>,
    marks: u64,
}

impl View {
    fn now_s(&self) -> f64 {
        self.begin.elapsed().as_secs_f64()
    }

    fn run(
        &mut self,
        arrived: &Receiver<News>,
        draw: &mut impl FnMut(&Model, f64) -> io::Result<()>,
    ) -> io::Result<Ended> {
        let mut drawn: Option<Instant> = None;
        loop {
            // Everything that has come, then one drawing; without news one a second, for the clock.
            let pause = match drawn.map(|at| at.elapsed()) {
                Some(since) if since < EVERY => EVERY - since,
                _ => Duration::ZERO,
            };
            let deadline = Instant::now() + pause;
            let mut news = arrived.recv_timeout(pause.max(Duration::from_secs(1)));
            loop {
                match news {
                    Ok(news) => {
                        if let Some(ended) = self.take(news) {
                            return Ok(ended);
                        }
                    }
                    Err(RecvTimeoutError::Timeout) => break,
                    Err(RecvTimeoutError::Disconnected) => return Ok(Ended::Left),
                }
                news = arrived.recv_timeout(deadline.saturating_duration_since(Instant::now()));
            }
            draw(&self.model, self.now_s())?;
            drawn = Some(Instant::now());
        }
    }

    fn take(&mut self, news: News) -> Option<Ended> {
        let now_s = self.now_s();
        match news {
            News::Key(Key::Ctrl('c')) if self.model.with_recorder => return Some(Ended::Stop),
            News::Key(Key::Char('q') | Key::Ctrl('c')) | News::NoKeys => return Some(Ended::Left),
            News::Key(Key::Char('c')) => self.model.shows_card = !self.model.shows_card,
            News::Key(Key::Esc) => self.model.shows_card = false,
            News::Key(Key::Char('m' | ' ')) => self.mark(),
            News::Key(_) => {}
            News::Status(Ok(status)) => {
                self.gone_since_s = None;
                self.set_place(&status);
                self.model.take(*status, now_s);
            }
            News::Status(Err(why)) => {
                let since = *self.gone_since_s.get_or_insert(now_s);
                if self.model.with_recorder && now_s - since > GONE_S {
                    return Some(Ended::Left);
                }
                self.model.fail(why);
            }
            News::Count(count) => self.model.count = Some(count),
            News::Marked(text) => self.model.say(text, now_s),
        }
        None
    }

    /// The mark is set on a thread of its own: the moment counts, and the view must not wait.
    fn mark(&mut self) {
        self.marks += 1;
        let text = format!("mark {} of the live view", self.marks);
        let (socket, news) = (self.socket.clone(), self.news.clone());
        thread::spawn(move || {
            let request = Request::Mark { text };
            let told = match control::ask(socket.as_deref(), &request) {
                Ok(Reply::Marked { at_s, .. }) => format!("marked at {at_s:.1} s"),
                Ok(Reply::Refused { why }) => format!("not marked: {why}"),
                Ok(Reply::Status(_)) => "not marked: the recorder gave another answer".to_owned(),
                Err(error) => format!("not marked: {error}"),
            };
            // The view may have ended meanwhile.
            let _ = news.send(News::Marked(told));
        });
    }

    fn set_place(&self, status: &Status) {
        // Poisoned only if the counter broke; the view then goes on without it.
        if let Ok(mut place) = self.place.lock() {
            *place = status
                .drive
                .as_ref()
                .map(|d| (PathBuf::from(&status.out), d.folder.clone(), d.file.clone()));
        }
    }
}

fn read_keys(news: Sender<News>) {
    thread::spawn(move || {
        for key in io::stdin().keys() {
            match key {
                Ok(key) if news.send(News::Key(key)).is_ok() => {}
                _ => break,
            }
        }
        // The view may have ended meanwhile.
        let _ = news.send(News::NoKeys);
    });
}

fn ask(socket: Option<PathBuf>, news: Sender<News>) {
    thread::spawn(move || {
        loop {
            let begin = Instant::now();
            let status = match control::ask(socket.as_deref(), &Request::Status) {
                Ok(Reply::Status(status)) => Ok(status),
                Ok(_) => {
                    Err("the recorder gave another answer; are both of one version?".to_owned())
                }
                Err(ControlError::Nobody) => Err("no recorder is running".to_owned()),
                Err(error) => Err(error.to_string()),
            };
            if news.send(News::Status(status)).is_err() {
                return;
            }
            thread::sleep(EVERY.saturating_sub(begin.elapsed()));
        }
    });
}

fn count(mut counter: Counter, place: Arc<Mutex<Place>>, news: Sender<News>) {
    thread::spawn(move || {
        loop {
            let now = place.lock().ok().and_then(|place| place.clone());
            if let Some((out, drive, growing)) = now
                && let Some(count) = counter.count(&out, &drive, &growing)
                && news.send(News::Count(count)).is_err()
            {
                return;
            }
            thread::sleep(Duration::from_millis(500));
        }
    });
}
