//! A program that runs before the devices of a route, and what came of it.

use std::io::Read;
use std::os::unix::process::ExitStatusExt;
use std::process::Child;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// A program that runs.
pub struct Running {
    child: Child,
    began: Instant,
    out: Option<Said>,
    err: Option<Said>,
    server: Option<JoinHandle<()>>,
}

/// What came of a run.
#[derive(Debug, Clone)]
pub struct Run {
    /// Its exit status; none if a signal ended it.
    pub exit: Option<i32>,
    /// The signal that ended it.
    pub signal: Option<i32>,
    /// Whether it was killed because its time was up.
    pub hung: bool,
    /// What it printed.
    pub stdout: String,
    /// What it printed on the side.
    pub stderr: String,
    /// How long it ran.
    pub took: Duration,
}

/// What a program says on one line out of it, as it comes.
struct Said {
    bytes: Arc<Mutex<Vec<u8>>>,
    listener: JoinHandle<()>,
}

impl Said {
    fn listen(mut from: impl Read + Send + 'static) -> Said {
        let bytes = Arc::new(Mutex::new(Vec::new()));
        let heard = Arc::clone(&bytes);
        let listener = std::thread::spawn(move || {
            let mut room = [0; 4096];
            // What came before a failure is what there is.
            while let Ok(n @ 1..) = from.read(&mut room) {
                let mut heard = heard.lock().unwrap_or_else(PoisonError::into_inner);
                heard.extend(&room[..n]);
            }
        });
        Said { bytes, listener }
    }

    fn so_far(&self) -> String {
        let bytes = self.bytes.lock().unwrap_or_else(PoisonError::into_inner);
        String::from_utf8_lossy(&bytes).into_owned()
    }

    fn whole(self) -> String {
        let bytes = self.bytes;
        let _ = self.listener.join();
        let bytes = bytes.lock().unwrap_or_else(PoisonError::into_inner);
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

impl Running {
    /// A child whose output is piped; `server` ends when the child's world does.
    pub(crate) fn new(mut child: Child, server: Option<JoinHandle<()>>) -> Running {
        Running {
            out: child.stdout.take().map(Said::listen),
            err: child.stderr.take().map(Said::listen),
            child,
            began: Instant::now(),
            server,
        }
    }

    /// The process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Sends it a signal.
    pub fn signal(&self, signal: i32) {
        // SAFETY: the child has not been waited for, so its number is still its own.
        unsafe { libc::kill(self.child.id() as i32, signal) };
    }

    /// Waits until it has said `words` on the side; whether it did before `limit` was over or it ended.
    pub fn says(&mut self, words: &str, limit: Duration) -> bool {
        let began = Instant::now();
        loop {
            let ended = !matches!(self.child.try_wait(), Ok(None));
            if self
                .err
                .as_ref()
                .is_some_and(|e| e.so_far().contains(words))
            {
                return true;
            }
            if ended || began.elapsed() > limit {
                return false;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// Waits for its end, at most until it has run for `limit`: then it is killed and has hung.
    pub fn wait(mut self, limit: Duration) -> Run {
        let mut hung = false;
        let status = loop {
            match self.child.try_wait() {
                Ok(Some(status)) => break status,
                Ok(None) if self.began.elapsed() > limit && !hung => {
                    hung = true;
                    let _ = self.child.kill();
                }
                Ok(None) => std::thread::sleep(Duration::from_millis(2)),
                Err(e) => panic!("the child cannot be waited for: {e}"),
            }
        };
        let took = self.began.elapsed();
        let text = |said: Option<Said>| said.map(Said::whole).unwrap_or_default();
        let run = Run {
            exit: status.code(),
            signal: status.signal(),
            hung,
            stdout: text(self.out.take()),
            stderr: text(self.err.take()),
            took,
        };
        // With the last process of the world its file system ends, and with that its server.
        if let Some(server) = self.server.take() {
            server.join().expect("the file system's server ran through");
        }
        run
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if self.out.is_some() {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}
