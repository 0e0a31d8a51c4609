//! A thread that asks, and a caller that does not wait for ever: a request that the kernel holds
//! cannot be interrupted, so it is left behind.
//!
//! Invariant: while a request is unanswered the device is asked nothing else, and a late answer is
//! dropped, never taken for the answer to a later question. What is fetched ahead of its time goes the same way,
//! is handed to the next request or dropped, and ends with the first fault.

use crate::drive::question::{Question, Reply};
use crate::port::{Block, Fault, FaultKind, Memory, Sectors, Transport};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

/// Largest single request; longer ones go in pieces, each with the whole time limit.
const PIECE: usize = 2 << 20;

/// Sectors that are read by one thread of their own, under a time limit.
pub struct WatchedSectors {
    sector_bytes: u32,
    bytes: u64,
    name: String,
    limit: AtomicU64,
    /// Held by whoever reads: a drive is asked one thing at a time.
    turn: Mutex<()>,
    desk: Arc<Desk>,
    reader: Option<JoinHandle<()>>,
}

/// Where caller and reader meet.
struct Desk {
    state: Mutex<State>,
    bell: Condvar,
}

#[derive(Default)]
struct State {
    /// Set by the caller, taken by the reader.
    request: Option<Request>,
    /// From taking a request to answering it.
    busy: bool,
    /// The answer to the request of that number.
    answer: Option<(u64, Result<(), Fault>)>,
    /// The buffer, except while the reader has it.
    block: Option<Block>,
    /// The request that was made before its caller came for it.
    ahead: Option<Request>,
    /// A request failed: from then on nothing is asked for ahead of its time.
    wary: bool,
    asked: u64,
    stop: bool,
}

#[derive(Clone, Copy)]
struct Request {
    number: u64,
    at: u64,
    bytes: usize,
}

impl State {
    /// Puts a request before the reader, which must be free.
    fn ask(&mut self, at: u64, bytes: usize) -> Request {
        self.asked = self.asked.wrapping_add(1);
        let request = Request {
            number: self.asked,
            at,
            bytes,
        };
        self.answer = None;
        self.busy = true;
        self.request = Some(request);
        request
    }
}

impl Desk {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits until `ready` or the moment given.
    fn wait<'a>(
        &'a self,
        mut state: MutexGuard<'a, State>,
        until: Instant,
        ready: impl Fn(&State) -> bool,
    ) -> (MutexGuard<'a, State>, bool) {
        while !ready(&state) {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return (state, false);
            }
            state = self
                .bell
                .wait_timeout(state, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
        (state, true)
    }
}

impl WatchedSectors {
    /// Puts `sectors` behind a thread. `name` is for messages.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new(
        sectors: impl Sectors + 'static,
        name: &str,
        limit: Duration,
        memory: &dyn Memory,
    ) -> Result<Self, Fault> {
        let desk = Arc::new(Desk {
            state: Mutex::new(State {
                block: Some(memory.block(PIECE)),
                ..State::default()
            }),
            bell: Condvar::new(),
        });
        let (sector_bytes, bytes) = (sectors.sector_bytes(), sectors.bytes());
        let reader = {
            let desk = Arc::clone(&desk);
            Builder::new()
                .name("drive reader".to_owned())
                .spawn(move || read_on_demand(&sectors, &desk))
                .map_err(|e| {
                    Fault::new(
                        FaultKind::Other,
                        format!("starting a reader for '{name}'"),
                        e.to_string(),
                    )
                })?
        };
        Ok(Self {
            sector_bytes,
            bytes,
            name: name.to_owned(),
            limit: AtomicU64::new(nanoseconds(limit)),
            turn: Mutex::new(()),
            desk,
            reader: Some(reader),
        })
    }

    /// Changes the time limit for the requests to come.
    #[cfg(test)]
    fn set_limit(&self, limit: Duration) {
        self.limit.store(nanoseconds(limit), Ordering::Relaxed);
    }

    fn no_answer(&self, at: u64, bytes: usize, why: &str) -> Fault {
        Fault::new(
            FaultKind::NoAnswer,
            format!("reading {bytes} bytes at {at} of '{}'", self.name),
            why,
        )
    }

    fn read_piece(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let answer = self.answer_of(at, buf);
        if answer.is_err() {
            self.desk.lock().wary = true;
        }
        answer
    }

    fn answer_of(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let limit = Duration::from_nanos(self.limit.load(Ordering::Relaxed));
        let until = || Instant::now() + limit;
        let mut state = self.desk.lock();
        let ahead = state.ahead.take();
        let request = match ahead.filter(|ahead| (ahead.at, ahead.bytes) == (at, buf.len())) {
            Some(ahead) => ahead,
            None => {
                let (mut free, is_free) = self.desk.wait(state, until(), |state| !state.busy);
                if !is_free {
                    return Err(self.no_answer(
                        at,
                        buf.len(),
                        "not asked: the drive still owes the answer to an earlier request",
                    ));
                }
                let request = free.ask(at, buf.len());
                self.desk.bell.notify_all();
                state = free;
                request
            }
        };
        let number = request.number;
        let (mut state, answered) = self.desk.wait(state, until(), |state| {
            state.answer.as_ref().is_some_and(|(of, _)| *of == number)
        });
        if !answered {
            return Err(self.no_answer(at, buf.len(), "the time limit ran out"));
        }
        match state.answer.take() {
            Some((_, Ok(()))) => match state.block.as_ref().and_then(|b| b.get(..buf.len())) {
                Some(bytes) => {
                    buf.copy_from_slice(bytes);
                    Ok(())
                }
                None => Err(self.no_answer(at, buf.len(), "the answer was lost")),
            },
            Some((_, Err(fault))) => Err(fault),
            None => Err(self.no_answer(at, buf.len(), "the answer was lost")),
        }
    }
}

fn nanoseconds(limit: Duration) -> u64 {
    // A year is as good as for ever, and can be added to any moment.
    const YEAR: u64 = 365 * 86_400 * 1_000_000_000;
    u64::try_from(limit.as_nanos()).unwrap_or(YEAR).min(YEAR)
}

fn read_on_demand(sectors: &dyn Sectors, desk: &Desk) {
    let mut state = desk.lock();
    loop {
        if state.stop {
            return;
        }
        let Some(request) = state.request.take() else {
            state = desk
                .bell
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
            continue;
        };
        // Only one request is ever under way, so the buffer is here.
        let Some(mut block) = state.block.take() else {
            return;
        };
        drop(state);
        let answer = match block.get_mut(..request.bytes) {
            Some(buf) => sectors.read_at(request.at, buf),
            None => Err(Fault::new(
                FaultKind::Other,
                "reading from a drive",
                "request longer than the buffer",
            )),
        };
        state = desk.lock();
        state.block = Some(block);
        state.busy = false;
        state.answer = Some((request.number, answer));
        desk.bell.notify_all();
    }
}

impl Sectors for WatchedSectors {
    fn sector_bytes(&self) -> u32 {
        self.sector_bytes
    }

    fn bytes(&self) -> u64 {
        self.bytes
    }

    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let _turn = self.turn.lock().unwrap_or_else(PoisonError::into_inner);
        let mut here = at;
        for piece in buf.chunks_mut(PIECE) {
            let bytes = piece.len() as u64;
            self.read_piece(here, piece)?;
            here = here.saturating_add(bytes);
        }
        Ok(())
    }

    fn soon(&self, at: u64, bytes: usize) {
        // Whoever else reads comes first.
        let Ok(_turn) = self.turn.try_lock() else {
            return;
        };
        let mut state = self.desk.lock();
        if !state.busy && !state.wary && bytes <= PIECE {
            state.ahead = Some(state.ask(at, bytes));
            self.desk.bell.notify_all();
        }
    }

    /// Busy, and nobody waits for it nor asked for it ahead.
    fn owes(&self) -> bool {
        let Ok(_nobody_is_waiting) = self.turn.try_lock() else {
            return false;
        };
        let state = self.desk.lock();
        state.busy && state.ahead.is_none()
    }
}

impl Drop for WatchedSectors {
    fn drop(&mut self) {
        let mut state = self.desk.lock();
        state.stop = true;
        let busy = state.busy;
        drop(state);
        self.desk.bell.notify_all();
        // A stuck reader is left to end by itself; waiting for it could take for ever.
        if !busy && let Some(reader) = self.reader.take() {
            let _ = reader.join();
        }
    }
}

/// A transport that is asked by a thread of its own, under a time limit.
pub struct WatchedTransport {
    says: String,
    limit: Duration,
    ask: Sender<Question>,
    replies: Receiver<Reply>,
    silent: bool,
}

impl WatchedTransport {
    /// Puts a transport behind a thread.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new(mut transport: Box<dyn Transport + Send>, limit: Duration) -> Result<Self, Fault> {
        let says = transport.says();
        let (ask, questions) = channel();
        let (answer, replies) = channel();
        Builder::new()
            .name("drive asker".to_owned())
            .spawn(move || {
                for question in questions {
                    if answer.send(transport.ask(question)).is_err() {
                        return;
                    }
                }
            })
            .map_err(|e| {
                Fault::new(
                    FaultKind::Other,
                    "starting a thread to ask the drive",
                    e.to_string(),
                )
            })?;
        Ok(Self {
            says,
            limit,
            ask,
            replies,
            silent: false,
        })
    }
}

impl Transport for WatchedTransport {
    fn ask(&mut self, question: Question) -> Reply {
        if self.silent {
            return Reply::Unread("not asked: the drive stopped answering".to_owned());
        }
        if self.ask.send(question).is_err() {
            self.silent = true;
            return Reply::Unread("the thread that asks the drive has ended".to_owned());
        }
        match self.replies.recv_timeout(self.limit) {
            Ok(reply) => reply,
            Err(why) => {
                // Any later reply would answer this question, not the next one.
                self.silent = true;
                Reply::Unread(match why {
                    RecvTimeoutError::Timeout => {
                        format!("no answer within {} s", self.limit.as_secs())
                    }
                    RecvTimeoutError::Disconnected => {
                        "the thread that asks the drive has ended".to_owned()
                    }
                })
            }
        }
    }

    fn says(&self) -> String {
        self.says.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linux::MachineMemory;

    /// Answers with the sector's number; stands still at one place until told to go on.
    struct Standing {
        at: u64,
        hold: Mutex<Receiver<()>>,
        asked: Arc<AtomicU64>,
    }

    impl Sectors for Standing {
        fn sector_bytes(&self) -> u32 {
            512
        }
        fn bytes(&self) -> u64 {
            64 << 20
        }
        fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
            self.asked.fetch_add(1, Ordering::SeqCst);
            if at == self.at {
                let _ = self.hold.lock().unwrap().recv();
            }
            if at == 512 {
                return Err(Fault::new(FaultKind::Refused, "reading", "EIO"));
            }
            buf.fill((at / 512) as u8);
            Ok(())
        }
    }

    #[test]
    fn a_drive_that_stands_still_is_left_alone_until_it_answers() {
        let (go, hold) = channel();
        let asked = Arc::new(AtomicU64::new(0));
        let drive = WatchedSectors::new(
            Standing {
                at: 5120,
                hold: Mutex::new(hold),
                asked: Arc::clone(&asked),
            },
            "made up",
            Duration::from_secs(20),
            &MachineMemory,
        )
        .unwrap();
        let mut buf = vec![0u8; 512];
        drive.read_at(1024, &mut buf).unwrap();
        assert!(buf.iter().all(|b| *b == 2));
        assert_eq!(
            drive.read_at(512, &mut buf).unwrap_err().kind,
            FaultKind::Refused
        );
        assert!(!drive.owes());

        drive.set_limit(Duration::from_millis(30));
        assert_eq!(
            drive.read_at(5120, &mut buf).unwrap_err().kind,
            FaultKind::NoAnswer
        );
        assert!(drive.owes());
        let before = asked.load(Ordering::SeqCst);
        let refused = drive.read_at(1536, &mut buf).unwrap_err();
        assert_eq!(refused.kind, FaultKind::NoAnswer);
        assert!(refused.errno.contains("not asked"));
        assert_eq!(
            asked.load(Ordering::SeqCst),
            before,
            "asked although it owes an answer"
        );

        // The late answer is nobody's: the next request gets its own bytes.
        drive.set_limit(Duration::from_secs(20));
        go.send(()).unwrap();
        drive.read_at(2048, &mut buf).unwrap();
        assert!(buf.iter().all(|b| *b == 4));
        assert!(!drive.owes());
    }

    #[test]
    fn what_is_fetched_ahead_is_asked_for_once_and_ends_with_the_first_fault() {
        let (go, hold) = channel();
        let asked = Arc::new(AtomicU64::new(0));
        let drive = WatchedSectors::new(
            Standing {
                at: 5120,
                hold: Mutex::new(hold),
                asked: Arc::clone(&asked),
            },
            "made up",
            Duration::from_secs(20),
            &MachineMemory,
        )
        .unwrap();
        let mut buf = vec![0u8; 512];
        let mut read = |at: u64, times: u64| {
            let answer = drive.read_at(at, &mut buf);
            assert_eq!(asked.swap(0, Ordering::SeqCst), times, "at {at}");
            answer.map(|()| assert!(buf.iter().all(|byte| u64::from(*byte) == at / 512)))
        };
        drive.soon(1024, 512);
        read(1024, 1).unwrap();
        // Neither its neighbour nor the same place a second time gets what was fetched.
        drive.soon(1024, 512);
        read(1536, 2).unwrap();
        read(1024, 1).unwrap();
        // The fault is the answer to the same request: a bad place is not asked twice.
        drive.soon(512, 512);
        assert_eq!(read(512, 1).unwrap_err().kind, FaultKind::Refused);
        drive.soon(1024, 512);
        read(2048, 1).unwrap();

        // While something is fetched ahead, the drive is asked nothing else.
        drive.desk.lock().wary = false;
        drive.set_limit(Duration::from_millis(30));
        drive.soon(5120, 512);
        let refused = drive.read_at(1024, &mut [0u8; 512]).unwrap_err();
        assert!(refused.errno.contains("not asked"));
        go.send(()).unwrap();
        drive.set_limit(Duration::from_secs(20));
        drive.read_at(2048, &mut [0u8; 512]).unwrap();
        assert_eq!(asked.load(Ordering::SeqCst), 2);
    }

    #[test]
    fn long_requests_go_in_pieces_and_several_callers_share_one_drive() {
        let (_go, hold) = channel();
        let drive = WatchedSectors::new(
            Standing {
                at: u64::MAX,
                hold: Mutex::new(hold),
                asked: Arc::default(),
            },
            "made up",
            Duration::from_secs(20),
            &MachineMemory,
        )
        .unwrap();
        let mut buf = vec![9u8; PIECE + 100];
        drive.read_at(0, &mut buf).unwrap();
        assert!(buf[..PIECE].iter().all(|b| *b == 0));
        assert!(buf[PIECE..].iter().all(|b| *b == (PIECE / 512) as u8));
        std::thread::scope(|scope| {
            for caller in 2..6u64 {
                let drive = &drive;
                scope.spawn(move || {
                    let mut buf = [0u8; 512];
                    for _ in 0..200 {
                        drive.read_at(caller * 512, &mut buf).unwrap();
                        assert!(buf.iter().all(|b| *b == caller as u8));
                    }
                });
            }
        });
    }

    #[test]
    fn a_stuck_drive_does_not_hold_up_the_end() {
        let (go, hold) = channel();
        let drive = WatchedSectors::new(
            Standing {
                at: 0,
                hold: Mutex::new(hold),
                asked: Arc::default(),
            },
            "made up",
            Duration::from_millis(20),
            &MachineMemory,
        )
        .unwrap();
        assert!(drive.read_at(0, &mut [0u8; 512]).is_err());
        drop(drive);
        drop(go);
    }

    struct Mute;
    impl Transport for Mute {
        fn ask(&mut self, question: Question) -> Reply {
            if question == Question::AtaIdentify {
                std::thread::sleep(Duration::from_millis(300));
            }
            Reply::NotReported
        }
        fn says(&self) -> String {
            "made up".to_owned()
        }
    }

    #[test]
    fn a_transport_that_fell_silent_is_not_asked_again() {
        let mut transport =
            WatchedTransport::new(Box::new(Mute), Duration::from_millis(100)).unwrap();
        assert_eq!(transport.ask(Question::AtaSmartData), Reply::NotReported);
        assert!(matches!(
            transport.ask(Question::AtaIdentify),
            Reply::Unread(_)
        ));
        let Reply::Unread(why) = transport.ask(Question::AtaSmartData) else {
            panic!("asked again");
        };
        assert!(why.contains("not asked"));
    }
}
