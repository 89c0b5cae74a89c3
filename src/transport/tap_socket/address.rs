//! Where a TAP socket is: `HOST:PORT` or `unix:PATH`.

use std::fmt;
use std::io;
use std::net::{SocketAddr, TcpListener, TcpStream, ToSocketAddrs};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::PathBuf;
use std::time::Duration;

use crate::tap::PortError;

/// An address as the user gives it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// `HOST:PORT`.
    Tcp(String),
    /// `unix:PATH`.
    Unix(PathBuf),
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Tcp(text) => f.write_str(text),
            Address::Unix(path) => write!(f, "unix:{}", path.display()),
        }
    }
}

impl std::str::FromStr for Address {
    type Err = PortError;

    fn from_str(text: &str) -> Result<Address, PortError> {
        if let Some(path) = text.strip_prefix("unix:") {
            if path.is_empty() {
                return Err(not_an_address(text));
            }
            return Ok(Address::Unix(path.into()));
        }
        match text.rsplit_once(':') {
            Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok() => {
                Ok(Address::Tcp(text.to_owned()))
            }
            _ => Err(not_an_address(text)),
        }
    }
}

fn not_an_address(text: &str) -> PortError {
    PortError::Unsupported {
        what: format!("\"{text}\""),
        wish: "be a TAP socket: give HOST:PORT, as 127.0.0.1:7300, or unix:PATH".to_owned(),
    }
}

/// Either kind of connection.
#[derive(Debug)]
pub(super) enum Stream {
    Tcp(TcpStream),
    Unix(UnixStream),
}

impl Stream {
    pub(super) fn set_timeouts(&self, read: Duration, write: Duration) -> io::Result<()> {
        match self {
            Stream::Tcp(s) => {
                s.set_read_timeout(Some(read))?;
                s.set_write_timeout(Some(write))
            }
            Stream::Unix(s) => {
                s.set_read_timeout(Some(read))?;
                s.set_write_timeout(Some(write))
            }
        }
    }
}

impl io::Read for Stream {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        match self {
            Stream::Tcp(s) => s.read(buf),
            Stream::Unix(s) => s.read(buf),
        }
    }
}

impl io::Write for Stream {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        match self {
            Stream::Tcp(s) => s.write(buf),
            Stream::Unix(s) => s.write(buf),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Either kind of listener.
#[derive(Debug)]
pub(super) enum Listener {
    Tcp(TcpListener),
    Unix(UnixListener),
}

impl Listener {
    /// The next connection, or `None` if nobody calls just now.
    pub(super) fn accept(&self) -> io::Result<Option<Stream>> {
        let accepted = match self {
            Listener::Tcp(l) => l.accept().and_then(|(s, _)| {
                s.set_nonblocking(false)?;
                s.set_nodelay(true)?;
                Ok(Stream::Tcp(s))
            }),
            Listener::Unix(l) => l.accept().and_then(|(s, _)| {
                s.set_nonblocking(false)?;
                Ok(Stream::Unix(s))
            }),
        };
        match accepted {
            Ok(stream) => Ok(Some(stream)),
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => Ok(None),
            Err(e) => Err(e),
        }
    }
}

impl Address {
    pub(super) fn connect(
        &self,
        allow_remote: bool,
        timeout: Duration,
    ) -> Result<Stream, PortError> {
        match self {
            Address::Unix(path) => UnixStream::connect(path)
                .map(Stream::Unix)
                .map_err(|e| self.failed(&e)),
            Address::Tcp(_) => {
                let mut last = None;
                for address in self.resolve(allow_remote)? {
                    match TcpStream::connect_timeout(&address, timeout) {
                        Ok(s) => {
                            s.set_nodelay(true).map_err(|e| self.failed(&e))?;
                            return Ok(Stream::Tcp(s));
                        }
                        Err(e) => last = Some(e),
                    }
                }
                Err(last.map_or(
                    PortError::NotFound {
                        what: self.to_string(),
                    },
                    |e| self.failed(&e),
                ))
            }
        }
    }

    /// Listens; the address comes back with the port that was chosen where 0 was given.
    pub(super) fn listen(&self, allow_remote: bool) -> Result<(Listener, Address), PortError> {
        match self {
            Address::Unix(path) => {
                let listener = match UnixListener::bind(path) {
                    // A socket file that nobody listens on any more is left from a dead run.
                    Err(e)
                        if e.kind() == io::ErrorKind::AddrInUse
                            && UnixStream::connect(path)
                                .is_err_and(|e| e.kind() == io::ErrorKind::ConnectionRefused) =>
                    {
                        std::fs::remove_file(path).and_then(|()| UnixListener::bind(path))
                    }
                    other => other,
                };
                let listener = listener.map_err(|e| self.failed(&e))?;
                listener
                    .set_nonblocking(true)
                    .map_err(|e| self.failed(&e))?;
                Ok((Listener::Unix(listener), self.clone()))
            }
            Address::Tcp(_) => {
                let addresses = self.resolve(allow_remote)?;
                let listener = TcpListener::bind(&addresses[..]).map_err(|e| self.failed(&e))?;
                listener
                    .set_nonblocking(true)
                    .map_err(|e| self.failed(&e))?;
                let bound = listener.local_addr().map_err(|e| self.failed(&e))?;
                Ok((Listener::Tcp(listener), Address::Tcp(bound.to_string())))
            }
        }
    }

    /// The socket addresses that the text means; all of them on this machine unless remote
    /// ones are allowed.
    fn resolve(&self, allow_remote: bool) -> Result<Vec<SocketAddr>, PortError> {
        let Address::Tcp(text) = self else {
            return Ok(Vec::new());
        };
        let addresses: Vec<SocketAddr> = text
            .to_socket_addrs()
            .map_err(|e| self.failed(&e))?
            .collect();
        if !allow_remote && let Some(far) = addresses.iter().find(|a| !a.ip().is_loopback()) {
            return Err(PortError::Unsupported {
                what: format!("{text} ({})", far.ip()),
                wish: "be used: it is not on this machine, and a TAP socket has no lock; \
                       --allow-remote permits it"
                    .to_owned(),
            });
        }
        Ok(addresses)
    }

    fn failed(&self, e: &io::Error) -> PortError {
        let what = format!("TAP socket {self}");
        match e.kind() {
            io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => {
                PortError::NotFound { what }
            }
            io::ErrorKind::PermissionDenied => PortError::NotAllowed { what },
            io::ErrorKind::AddrInUse => PortError::Busy { what },
            _ => PortError::Other {
                what,
                said: e.to_string(),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_as_users_give_them() {
        let parse = |text: &str| text.parse::<Address>();
        assert_eq!(
            parse("127.0.0.1:7300").unwrap(),
            Address::Tcp("127.0.0.1:7300".into())
        );
        assert_eq!(parse("[::1]:7300").unwrap().to_string(), "[::1]:7300");
        assert_eq!(
            parse("unix:/tmp/x").unwrap(),
            Address::Unix("/tmp/x".into())
        );
        for bad in [
            "",
            "7300",
            ":7300",
            "localhost:",
            "localhost:99999",
            "unix:",
        ] {
            let error = parse(bad).unwrap_err().to_string();
            assert!(error.contains("HOST:PORT"), "{bad}: {error}");
        }
    }

    #[test]
    fn other_machines_are_refused_unless_allowed() {
        // 192.0.2.0/24 is set aside for documentation (RFC 5737).
        let far: Address = "192.0.2.7:7300".parse().unwrap();
        for error in [
            far.connect(false, Duration::from_millis(10)).unwrap_err(),
            far.listen(false).unwrap_err(),
        ] {
            assert!(error.to_string().contains("--allow-remote"), "{error}");
        }
        assert_eq!(far.resolve(true).unwrap().len(), 1);
    }
}
