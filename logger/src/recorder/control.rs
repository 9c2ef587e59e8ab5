//! The recorder's socket: marks in, live state out. One line of JSON each way, on a Unix socket
//! that only the same user may use; nothing listens on a network.

use std::cell::RefCell;
use std::io::{self, BufRead, BufReader, Write};
use std::os::unix::fs::{DirBuilderExt, PermissionsExt};
use std::os::unix::net::UnixStream as Client;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader as AsyncBufReader};
use tokio::net::{UnixListener, UnixStream};

use super::live::Status;

/// What may be asked of a running recorder.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "snake_case")]
pub enum Request {
    /// Set a mark now.
    Mark {
        /// Its text.
        text: String,
    },
    /// Tell the live state.
    Status,
}

/// What it answers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "answer", rename_all = "snake_case")]
pub enum Reply {
    /// The mark is in the capture.
    Marked {
        /// Seconds after the drive's first frame.
        at_s: f64,
        /// The drive's folder.
        drive: String,
    },
    /// The live state.
    Status(Box<Status>),
    /// Not done.
    Refused {
        /// Why.
        why: String,
    },
}

/// Longest line taken from a client: a mark of the greatest length, written as JSON.
const LONGEST_LINE_BYTES: u64 = 1 << 19;
/// A client that says nothing for so long is let go.
const PATIENCE: Duration = Duration::from_secs(10);

/// Why a socket could not be made or used.
#[derive(Debug, thiserror::Error)]
pub enum ControlError {
    /// Another recorder answers there.
    #[error("{}: another recorder runs here already; stop it, or give this one its own --socket", .0.display())]
    Taken(PathBuf),
    /// No recorder answers.
    #[error("no recorder is running; start one with: slipwright record IFACE --out DIR")]
    Nobody,
    /// The recorder is another user's.
    #[error("{}: the recorder answers only the user who runs it; run this as that user", .0.display())]
    Stranger(PathBuf),
    /// The folder belongs to somebody else.
    #[error("{}: the folder is not this user's own; choose another with --socket", .0.display())]
    NotOurs(PathBuf),
    /// The recorder hangs.
    #[error("{}: the recorder does not answer; look at its log, or stop it and start it again", .0.display())]
    Silent(PathBuf),
    /// Anything else.
    #[error("{}: {}", path.display(), crate::system_error::plain(source))]
    Io {
        /// The socket.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The answer is none.
    #[error("{}: the recorder gave no answer that this program knows; are both of the same version?", .0.display())]
    Garbled(PathBuf),
}

/// Where the socket lies if nobody says: in the folder that systemd gave the service, else in the
/// user's runtime folder, else in a folder of the user's own under the temporary one.
#[must_use]
pub fn default_path() -> PathBuf {
    let variable = |name: &str| {
        std::env::var_os(name)
            .filter(|v| !v.is_empty())
            .map(PathBuf::from)
    };
    // systemd lists several folders with colons; ours is the only one.
    if let Some(folder) = variable("RUNTIME_DIRECTORY") {
        return folder.join(SOCKET);
    }
    let folder = variable("XDG_RUNTIME_DIR").map(|folder| folder.join("slipwright"));
    folder.unwrap_or_else(own_temporary).join(SOCKET)
}

fn own_temporary() -> PathBuf {
    std::env::temp_dir().join(format!("slipwright-{}", rustix::process::getuid().as_raw()))
}

const SOCKET: &str = "recorder.sock";

/// The socket of a running recorder, which goes with it.
#[derive(Debug)]
pub struct Server {
    listener: UnixListener,
    path: PathBuf,
}

impl Drop for Server {
    fn drop(&mut self) {
        // Somebody may have removed it before us.
        let _ = std::fs::remove_file(&self.path);
    }
}

impl Server {
    /// Opens the socket. A socket that a crashed recorder left behind is replaced.
    ///
    /// # Errors
    ///
    /// [`ControlError`].
    pub fn open(path: &Path) -> Result<Self, ControlError> {
        let io = |source| ControlError::Io {
            path: path.to_owned(),
            source,
        };
        if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
            match std::fs::DirBuilder::new().mode(0o700).create(folder) {
                Err(error) if error.kind() != io::ErrorKind::AlreadyExists => {
                    return Err(io(error));
                }
                _ => {}
            }
            let owner =
                std::os::unix::fs::MetadataExt::uid(&std::fs::metadata(folder).map_err(io)?);
            // In a stranger's folder the socket could be swapped for another.
            if folder == own_temporary() && owner != rustix::process::getuid().as_raw() {
                return Err(ControlError::NotOurs(folder.to_owned()));
            }
        }
        let listener = match UnixListener::bind(path) {
            Err(error) if error.kind() == io::ErrorKind::AddrInUse => {
                if Client::connect(path).is_ok() {
                    return Err(ControlError::Taken(path.to_owned()));
                }
                std::fs::remove_file(path).map_err(io)?;
                UnixListener::bind(path)
            }
            other => other,
        };
        let listener = listener.map_err(io)?;
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).map_err(io)?;
        Ok(Self {
            listener,
            path: path.to_owned(),
        })
    }

    /// Answers clients for ever.
    pub async fn serve<F>(&self, answer: Rc<RefCell<F>>)
    where
        F: FnMut(Request) -> Reply + 'static,
    {
        loop {
            match self.listener.accept().await {
                Ok((client, _)) => {
                    let answer = Rc::clone(&answer);
                    tokio::task::spawn_local(async move {
                        // A client that goes away harms only itself.
                        let _ = talk(client, &answer).await;
                    });
                }
                // Out of descriptors, most likely: wait rather than spin.
                Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
            }
        }
    }
}

async fn talk<F>(client: UnixStream, answer: &RefCell<F>) -> io::Result<()>
where
    F: FnMut(Request) -> Reply,
{
    if client.peer_cred()?.uid() != rustix::process::geteuid().as_raw() {
        return Ok(());
    }
    let (reader, mut writer) = client.into_split();
    let mut reader = AsyncBufReader::new(reader.take(LONGEST_LINE_BYTES));
    loop {
        let mut line = String::new();
        let read = tokio::time::timeout(PATIENCE, reader.read_line(&mut line)).await;
        match read {
            Ok(Ok(n)) if n > 0 && line.ends_with('\n') => {}
            _ => return Ok(()),
        }
        let reply = match serde_json::from_str(&line) {
            Ok(request) => (answer.borrow_mut())(request),
            Err(_) => Reply::Refused {
                why: "this recorder does not know that request".to_owned(),
            },
        };
        let mut text = serde_json::to_string(&reply)?;
        text.push('\n');
        writer.write_all(text.as_bytes()).await?;
        reader.get_mut().set_limit(LONGEST_LINE_BYTES);
    }
}

/// Asks a running recorder.
///
/// # Errors
///
/// [`ControlError`].
pub fn ask(path: Option<&Path>, request: &Request) -> Result<Reply, ControlError> {
    let places = match path {
        Some(path) => vec![path.to_owned()],
        None => vec![
            default_path(),
            PathBuf::from("/run/slipwright").join(SOCKET),
        ],
    };
    for place in places {
        match Client::connect(&place) {
            Ok(client) => return ask_there(&client, &place, request),
            Err(error)
                if matches!(
                    error.kind(),
                    io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused
                ) => {}
            Err(source) => return Err(unanswered(&place, source)),
        }
    }
    Err(ControlError::Nobody)
}

/// What an error on the way says: kept out by the modes of folder and socket, or let go by the
/// recorder without a word, is another user.
fn unanswered(path: &Path, source: io::Error) -> ControlError {
    use io::ErrorKind::{
        BrokenPipe, ConnectionReset, PermissionDenied, TimedOut, UnexpectedEof, WouldBlock,
    };
    let path = path.to_owned();
    match source.kind() {
        BrokenPipe | ConnectionReset | PermissionDenied | UnexpectedEof => {
            ControlError::Stranger(path)
        }
        // What a wait for an answer ends with.
        WouldBlock | TimedOut => ControlError::Silent(path),
        _ => ControlError::Io { path, source },
    }
}

fn ask_there(mut client: &Client, path: &Path, request: &Request) -> Result<Reply, ControlError> {
    let io = |source| unanswered(path, source);
    let garbled = || ControlError::Garbled(path.to_owned());
    client.set_read_timeout(Some(PATIENCE)).map_err(io)?;
    let mut line = serde_json::to_string(request).map_err(|_| garbled())?;
    line.push('\n');
    client.write_all(line.as_bytes()).map_err(io)?;
    let mut reply = String::new();
    if BufReader::new(client).read_line(&mut reply).map_err(io)? == 0 {
        return Err(io(io::ErrorKind::UnexpectedEof.into()));
    }
    serde_json::from_str(&reply).map_err(|_| garbled())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn served<T: Send + 'static>(
        path: &Path,
        ask: impl FnOnce(PathBuf) -> T + Send + 'static,
    ) -> T {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        let path = path.to_owned();
        tokio::task::LocalSet::new().block_on(&runtime, async move {
            let server = Server::open(&path).unwrap();
            let answer = Rc::new(RefCell::new(|request| match request {
                Request::Mark { text } => Reply::Marked {
                    at_s: text.len() as f64,
                    drive: "d".to_owned(),
                },
                Request::Status => Reply::Status(Box::default()),
            }));
            let client = tokio::task::spawn_blocking(move || ask(path));
            tokio::select! {
                () = server.serve(answer) => unreachable!(),
                got = client => got.unwrap(),
            }
        })
    }

    #[test]
    fn requests_are_answered_and_the_socket_goes_with_its_server() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("s").join("recorder.sock");
        let (mark, status, mode) = served(&path, |path| {
            let mark = Request::Mark {
                text: "launch \u{1F697}\n2".to_owned(),
            };
            let mode = std::fs::metadata(&path).unwrap().permissions().mode() & 0o777;
            (
                ask(Some(&path), &mark).unwrap(),
                ask(Some(&path), &Request::Status).unwrap(),
                mode,
            )
        });
        assert_eq!(
            mark,
            Reply::Marked {
                at_s: 13.0,
                drive: "d".to_owned()
            }
        );
        assert_eq!(status, Reply::Status(Box::default()));
        assert_eq!(mode, 0o600);
        assert!(!path.exists());
        assert!(matches!(
            ask(Some(&path), &Request::Status),
            Err(ControlError::Nobody)
        ));
    }

    #[test]
    fn nonsense_is_refused_and_a_second_recorder_too() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("recorder.sock");
        // What a crashed recorder leaves is no obstacle.
        drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
        served(&path, |path| {
            let mut client = Client::connect(&path).unwrap();
            client.write_all(b"{\"ask\":\"sing\"}\nnot json\n").unwrap();
            let replies: Vec<String> = BufReader::new(&client)
                .lines()
                .take(2)
                .map(Result::unwrap)
                .collect();
            assert!(replies.iter().all(|r| r.contains("refused")), "{replies:?}");
            let taken = std::thread::spawn(move || {
                let runtime = tokio::runtime::Builder::new_current_thread()
                    .enable_all()
                    .build()
                    .unwrap();
                let _inside = runtime.enter();
                Server::open(&path).unwrap_err().to_string()
            });
            assert!(taken.join().unwrap().contains("another recorder"));
        });
    }
}
