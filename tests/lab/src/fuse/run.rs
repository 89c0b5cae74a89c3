//! A program that runs in the laboratory, and what came of it.

use std::io::Read;
use std::os::unix::process::ExitStatusExt;
use std::process::Child;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// A program that runs.
pub struct Running {
    child: Child,
    began: Instant,
    out: Option<JoinHandle<String>>,
    err: Option<JoinHandle<String>>,
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

fn collect(mut from: impl Read + Send + 'static) -> JoinHandle<String> {
    std::thread::spawn(move || {
        let mut bytes = Vec::new();
        // What came before a failure is what there is.
        let _ = from.read_to_end(&mut bytes);
        String::from_utf8_lossy(&bytes).into_owned()
    })
}

impl Running {
    pub(super) fn new(mut child: Child, server: JoinHandle<()>) -> Running {
        Running {
            out: child.stdout.take().map(collect),
            err: child.stderr.take().map(collect),
            child,
            began: Instant::now(),
            server: Some(server),
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
        let text = |handle: Option<JoinHandle<String>>| {
            handle.and_then(|h| h.join().ok()).unwrap_or_default()
        };
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
