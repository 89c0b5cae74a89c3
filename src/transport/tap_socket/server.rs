//! The server's end: plays any [`Clocks`] to one client.

use std::time::Duration;

use crate::tap::{Clocks, Level, Line, PortError};

use super::address::{Address, Listener};
use super::wire::{self, Incoming, Peer};

/// How long a message may take from its first byte to its last, and a send may block.
const MESSAGE: Duration = Duration::from_secs(10);

/// How often a waiting server looks for a caller.
const LOOK: Duration = Duration::from_millis(20);

/// A listening TAP socket. A Unix socket's file goes away with it.
#[derive(Debug)]
pub struct Server {
    listener: Listener,
    address: Address,
    message_time: Duration,
}

/// What a served connection did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Served {
    /// Cycles of TCK.
    pub cycles: u64,
    /// Messages after the greeting.
    pub messages: u64,
    /// Whether `stop` ended it, and not the client.
    pub stopped: bool,
}

impl Server {
    /// Listens on `address`; port 0 takes a free one. Addresses that other machines can reach
    /// only with `allow_remote`.
    ///
    /// # Errors
    /// [`PortError::Busy`] if somebody listens there, [`PortError::Unsupported`] for an address
    /// that is not on this machine.
    pub fn bind(address: &Address, allow_remote: bool) -> Result<Server, PortError> {
        let (listener, address) = address.listen(allow_remote)?;
        Ok(Server {
            listener,
            address,
            message_time: MESSAGE,
        })
    }

    /// The same server with another limit to the time that one message may take.
    pub fn with_message_time(mut self, message_time: Duration) -> Server {
        self.message_time = message_time;
        self
    }

    /// Where it listens, with the port that was chosen.
    pub fn address(&self) -> &Address {
        &self.address
    }

    /// Waits for one client and serves it until it closes or `stop` says so; `stop` is asked
    /// several times a second.
    ///
    /// # Errors
    /// The client does not keep to the protocol or goes away in the middle of a message; or
    /// `clocks` fails. The connection is closed then, and the next one may be served.
    pub fn serve(
        &self,
        clocks: &mut dyn Clocks,
        stop: &dyn Fn() -> bool,
    ) -> Result<Served, PortError> {
        loop {
            if stop() {
                return Ok(Served {
                    stopped: true,
                    ..Served::default()
                });
            }
            let accepted = self.listener.accept().map_err(|e| PortError::Other {
                what: format!("TAP socket {}", self.address),
                said: e.to_string(),
            })?;
            let Some(stream) = accepted else {
                std::thread::sleep(LOOK);
                continue;
            };
            let name = format!("the client of TAP socket {}", self.address);
            let peer = Peer::new(stream, name, self.message_time)?;
            if let Some(served) = converse(peer, self.message_time, clocks, stop)? {
                return Ok(served);
            }
        }
    }
}

/// Serves one connection; `None` if it closed without a word: somebody who only looked whether
/// the address is in use.
fn converse(
    mut peer: Peer,
    message_time: Duration,
    clocks: &mut dyn Clocks,
    stop: &dyn Fn() -> bool,
) -> Result<Option<Served>, PortError> {
    let mut served = Served::default();
    let mut greeted = false;
    loop {
        // An idle client may think as long as it likes, but it must greet at once.
        let patience = (!greeted).then_some(message_time);
        match peer.receive(patience, stop)? {
            Incoming::Closed => return Ok(greeted.then_some(served)),
            Incoming::Stopped => {
                served.stopped = true;
                return Ok(Some(served));
            }
            Incoming::Message(kind, payload) if greeted => {
                served.messages += 1;
                served.cycles += answer(&mut peer, kind, &payload, clocks)?;
            }
            Incoming::Message(b'H', payload) if payload == wire::GREETING => {
                peer.send(b'H', wire::GREETING)?;
                greeted = true;
            }
            Incoming::Message(kind, payload) => {
                return Err(peer.out_of_step(
                    "H and \"taploom 1\" first",
                    &format!(
                        "{} and \"{}\"",
                        wire::name(kind),
                        String::from_utf8_lossy(&payload[..payload.len().min(32)]).escape_debug()
                    ),
                ));
            }
        }
    }
}

/// Answers one message; the cycles that it clocked.
fn answer(
    peer: &mut Peer,
    kind: u8,
    payload: &[u8],
    clocks: &mut dyn Clocks,
) -> Result<u64, PortError> {
    match kind {
        b'K' => {
            let (tms, tdi) = wire::unpack_clocks(payload)
                .map_err(|(expected, found)| peer.out_of_step(&expected, &found))?;
            let tdo = if tms.is_empty() {
                tms.clone()
            } else {
                clocks.clock(&tms, &tdi)?
            };
            peer.send(b'O', &wire::pack_answer(&tdo))?;
            Ok(tms.len() as u64)
        }
        b'L' => {
            let [line, level] = *payload else {
                return Err(peer.out_of_step(
                    "a line and a level in 2 bytes",
                    &format!("{} bytes", payload.len()),
                ));
            };
            let line = wire::line_of(line)
                .ok_or_else(|| peer.out_of_step("a line from 0 to 9", &format!("line {line}")))?;
            let level = wire::level_of(level).ok_or_else(|| {
                peer.out_of_step("a level from 0 to 2", &format!("level {level}"))
            })?;
            let levels = match clocks.line(line, level) {
                // Releasing TRST where there is none changes nothing: it is how lines are read.
                Err(PortError::Unsupported { .. })
                    if line == Line::Trst && level == Level::Released =>
                {
                    clocks.sense()?
                }
                other => other?,
            };
            peer.send(b'L', &[levels])?;
            Ok(0)
        }
        b'T' => {
            let ns = payload.try_into().map(u64::from_le_bytes).map_err(|_| {
                peer.out_of_step(
                    "nanoseconds in 8 bytes",
                    &format!("{} bytes", payload.len()),
                )
            })?;
            clocks.pass(ns)?;
            peer.send(b'T', &[])?;
            Ok(0)
        }
        _ => Err(peer.out_of_step("K, L or T", &wire::name(kind))),
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Address::Unix(path) = &self.address {
            // Nothing is lost if it is gone already.
            let _ = std::fs::remove_file(path);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Read, Write};
    use std::net::TcpStream;
    use std::time::Instant;

    use super::super::super::testing::Chain;
    use super::super::client::TapSocket;
    use super::*;
    use crate::bits::Bits;

    const SHORT: Duration = Duration::from_millis(300);

    fn here() -> Server {
        Server::bind(&"127.0.0.1:0".parse().unwrap(), false)
            .unwrap()
            .with_message_time(SHORT)
    }

    fn chain() -> Chain {
        Chain::new(&[(4, 0x1234_5041), (5, 0x0abc_d0a7)])
    }

    /// Serves the chain to `client` and gives back what the server said and the chain.
    fn with_client(client: impl FnOnce(TcpStream) + Send) -> (Result<Served, PortError>, Chain) {
        let server = here();
        let address = server.address().to_string();
        let mut chain = chain();
        let served = std::thread::scope(|scope| {
            let serving = scope.spawn(|| server.serve(&mut chain, &|| false));
            client(TcpStream::connect(address).unwrap());
            serving.join().unwrap()
        });
        (served, chain)
    }

    fn message(kind: u8, payload: &[u8]) -> Vec<u8> {
        let mut bytes = vec![kind];
        bytes.extend((payload.len() as u32).to_le_bytes());
        bytes.extend(payload);
        bytes
    }

    #[test]
    fn the_bytes_on_the_wire() {
        let (served, chain) = with_client(|mut s| {
            let mut answer = |bytes: &[u8], len: usize| {
                s.write_all(bytes).unwrap();
                let mut buf = vec![0; len];
                s.read_exact(&mut buf).unwrap();
                buf
            };
            let greeting = b"H\x09\0\0\0taploom 1";
            assert_eq!(answer(greeting, 14), greeting);
            // Five cycles, TMS 1 and TDI 0: 01 01 01 01, 01. TDO is not driven: ones.
            assert_eq!(
                answer(b"K\x06\0\0\0\x05\0\0\0\x55\x01", 10),
                b"O\x05\0\0\0\x05\0\0\0\x1f"
            );
            // Spare line 1 (number 3) to 0: the levels of the spare lines come back.
            assert_eq!(answer(b"L\x02\0\0\0\x03\0", 6), b"L\x01\0\0\0\xfd");
            assert_eq!(answer(b"T\x08\0\0\0\xe8\x03\0\0\0\0\0\0", 5), b"T\0\0\0\0");
        });
        assert_eq!(
            served.unwrap(),
            Served {
                cycles: 5,
                messages: 3,
                stopped: false
            }
        );
        assert_eq!(chain.passed_ns, 1000);
        assert_eq!(chain.lines[&Line::Spare(1)], Level::Low);
    }

    #[test]
    fn a_client_reads_the_chain_through_the_socket() {
        let server = here();
        let address = server.address().clone();
        let mut served = chain();
        std::thread::scope(|scope| {
            let serving = scope.spawn(|| server.serve(&mut served, &|| false));
            let mut socket = TapSocket::connect(&address, false).unwrap();
            let mut direct = chain();
            let n = 5000;
            let tms: Bits = (0..n).map(|i| i * i % 13 < 4).collect();
            let tdi: Bits = (0..n).map(|i| i % 3 == 0).collect();
            assert_eq!(
                socket.clock(&tms, &tdi).unwrap(),
                direct.clock(&tms, &tdi).unwrap()
            );
            socket.pass(5).unwrap();
            assert_eq!(socket.line(Line::Spare(7), Level::Low).unwrap(), 0x7f);
            assert_eq!(socket.line(Line::Trst, Level::Low).unwrap(), 0x7f);
            assert_eq!(socket.sense().unwrap(), 0x7f);
            assert!(socket.line(Line::Spare(8), Level::Low).is_err());
            drop(socket);
            assert_eq!(serving.join().unwrap().unwrap().cycles, n as u64);
        });
        assert_eq!(served.lines[&Line::Trst], Level::Low, "sensing left it");
    }

    #[test]
    fn unix_sockets_work_and_leave_no_file() {
        let path = std::env::temp_dir().join(format!("taploom-test-{}", std::process::id()));
        let address: Address = format!("unix:{}", path.display()).parse().unwrap();
        for _ in 0..2 {
            let server = Server::bind(&address, false).unwrap();
            assert!(matches!(
                Server::bind(&address, false),
                Err(PortError::Busy { .. })
            ));
            let mut served = chain();
            std::thread::scope(|scope| {
                let serving = scope.spawn(|| server.serve(&mut served, &|| false));
                let mut socket = TapSocket::connect(&address, false).unwrap();
                assert_eq!(
                    socket.clock(&Bits::ones(9), &Bits::ones(9)).unwrap().len(),
                    9
                );
                drop(socket);
                serving.join().unwrap().unwrap();
            });
            drop(server);
            assert!(!path.exists());
            // What a killed server leaves behind does not stop the next one.
            drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
        }
        std::fs::remove_file(&path).unwrap();
        assert!(matches!(
            TapSocket::connect(&address, false),
            Err(PortError::NotFound { .. })
        ));
    }

    #[test]
    fn hostile_clients_get_an_error_and_nothing_else() {
        let greeting = message(b'H', wire::GREETING);
        let after = |bytes: &[u8]| [greeting.clone(), bytes.to_vec()].concat();
        let cases: Vec<(&str, Vec<u8>, &str)> = vec![
            ("no greeting", message(b'K', &[0, 0, 0, 0]), "first"),
            ("another greeting", message(b'H', b"hello"), "first"),
            (
                "a kind that is none",
                after(&message(b'Q', b"")),
                "kind H, K, O, L or T",
            ),
            (
                "a server's kind",
                after(&message(b'O', &[0, 0, 0, 0])),
                "K, L or T",
            ),
            (
                "an over-long length",
                after(b"K\xff\xff\xff\xff"),
                "at most 262148 bytes",
            ),
            (
                "a long line message",
                after(b"L\x03\0\0\0abc"),
                "at most 2 bytes",
            ),
            (
                "a short line message",
                after(&message(b'L', &[0])),
                "2 bytes",
            ),
            (
                "a wrong count",
                after(&message(b'K', &[9, 0, 0, 0, 1, 2])),
                "3 bytes for 9 cycles",
            ),
            (
                "a huge count",
                after(&message(b'K', &[1, 0, 16, 0])),
                "at most 1048576 cycles",
            ),
            (
                "a line that is none",
                after(&message(b'L', &[10, 0])),
                "a line from 0 to 9",
            ),
            (
                "a level that is none",
                after(&message(b'L', &[0, 3])),
                "a level from 0 to 2",
            ),
            ("a short time", after(&message(b'T', &[1])), "8 bytes"),
            (
                "a closed middle",
                after(b"K\x08\0\0\0\x01"),
                "middle of a message",
            ),
        ];
        for (what, bytes, said) in cases {
            let (served, chain) = with_client(|mut s| {
                s.write_all(&bytes).unwrap();
                s.shutdown(std::net::Shutdown::Write).unwrap();
                // The server closes: read to the end, however it ends.
                let _ = s.read_to_end(&mut Vec::new());
            });
            let error = served.expect_err(what).to_string();
            assert!(error.contains(said), "{what}: {error}");
            assert_eq!(chain.cycles, 0, "{what}");
        }
    }

    #[test]
    fn a_message_that_never_ends_times_out() {
        let began = Instant::now();
        let (served, _) = with_client(|mut s| {
            s.write_all(b"H\x09\0\0\0tap").unwrap();
            let _ = s.read_to_end(&mut Vec::new());
        });
        assert!(matches!(served, Err(PortError::TimedOut { ms: 300, .. })));
        assert!(began.elapsed() < SHORT * 5);
    }

    #[test]
    fn hostile_servers_get_an_error_and_nothing_else() {
        let greeting = message(b'H', wire::GREETING);
        let cases: Vec<(&str, Vec<u8>, &str)> = vec![
            (
                "another greeting",
                message(b'H', b"taploom 9"),
                "the greeting",
            ),
            ("no greeting", message(b'T', b""), "kind H"),
            ("a closed door", Vec::new(), "is gone"),
            ("silence", b"H".to_vec(), "did not answer"),
            (
                "fewer bits than cycles",
                [greeting.clone(), message(b'O', &[8, 0, 0, 0, 1])].concat(),
                "TDO for 16 cycles",
            ),
            (
                "a long answer",
                [greeting.clone(), b"O\xff\xff\xff\x7f".to_vec()].concat(),
                "at most 131076 bytes",
            ),
        ];
        for (what, bytes, said) in cases {
            let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
            let address: Address = listener.local_addr().unwrap().to_string().parse().unwrap();
            std::thread::scope(|scope| {
                let silent = what == "silence";
                scope.spawn(move || {
                    let (mut s, _) = listener.accept().unwrap();
                    s.write_all(&bytes).unwrap();
                    if !silent {
                        s.shutdown(std::net::Shutdown::Write).unwrap();
                    }
                    let _ = s.read_to_end(&mut Vec::new());
                });
                let result = TapSocket::connect_within(&address, false, SHORT)
                    .and_then(|mut s| s.clock(&Bits::ones(16), &Bits::ones(16)));
                let error = result.expect_err(what).to_string();
                assert!(error.contains(said), "{what}: {error}");
            });
        }
    }

    #[test]
    fn a_server_that_is_told_to_stop_stops() {
        let server = here();
        let mut chain = chain();
        assert!(server.serve(&mut chain, &|| true).unwrap().stopped);
        let address = server.address().clone();
        let stop = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|scope| {
            let stop = &stop;
            let serving = scope.spawn(move || {
                server.serve(&mut chain, &|| {
                    stop.load(std::sync::atomic::Ordering::Relaxed)
                })
            });
            let mut socket = TapSocket::connect_within(&address, false, SHORT).unwrap();
            socket.pass(1).unwrap();
            stop.store(true, std::sync::atomic::Ordering::Relaxed);
            let served = serving.join().unwrap().unwrap();
            assert!(served.stopped && served.messages == 1);
            assert!(matches!(socket.pass(1), Err(PortError::Gone { .. })));
        });
    }
}
