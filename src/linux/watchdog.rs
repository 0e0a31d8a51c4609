//! A thread that asks, and a caller that does not wait for ever: a request that the kernel holds
//! cannot be interrupted, so it is left behind.
//!
//! Invariant: while a request is unanswered the device is asked nothing else, and a late answer is
//! dropped, never taken for the answer to a later question. What is fetched ahead of its time goes the same way, one
//! after the other, is handed to the requests that follow or dropped, and ends with the first fault.

use crate::drive::question::{Question, Reply};
use crate::port::{AHEAD, Block, Fault, FaultKind, Memory, Sectors, Transport};
use std::collections::VecDeque;
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
    /// Set by the caller, taken by the reader in their order.
    requests: VecDeque<Request>,
    /// From taking a request to answering it.
    busy: bool,
    /// The answers to the requests of those numbers, and the buffers that hold the bytes.
    answers: VecDeque<(u64, Result<(), Fault>, Block)>,
    /// The buffers that hold no answer, except the one that the reader has.
    spare: Vec<Block>,
    /// The requests that were made before their callers came for them, the next one first.
    ahead: VecDeque<Request>,
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
    /// Puts a request before the reader.
    fn ask(&mut self, at: u64, bytes: usize) -> Request {
        self.asked = self.asked.wrapping_add(1);
        let request = Request {
            number: self.asked,
            at,
            bytes,
        };
        self.requests.push_back(request);
        request
    }

    /// What the reader does next, and the buffer for it.
    fn take(&mut self) -> Option<(Request, Block)> {
        let block = self.spare.pop()?;
        match self.requests.pop_front() {
            Some(request) => {
                self.busy = true;
                Some((request, block))
            }
            None => {
                self.spare.push(block);
                None
            }
        }
    }

    /// Drops whatever was asked for and not taken yet, and the answers that nobody came for.
    fn forget(&mut self) {
        self.ahead.clear();
        self.requests.clear();
        self.spare
            .extend(self.answers.drain(..).map(|(.., block)| block));
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
                spare: (0..AHEAD).map(|_| memory.block(PIECE)).collect(),
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
        let ahead = state.ahead.pop_front();
        let request = match ahead.filter(|ahead| (ahead.at, ahead.bytes) == (at, buf.len())) {
            Some(ahead) => ahead,
            None => {
                state.forget();
                let (mut free, is_free) = self.desk.wait(state, until(), |state| !state.busy);
                if !is_free {
                    return Err(self.no_answer(
                        at,
                        buf.len(),
                        "not asked: the drive still owes the answer to an earlier request",
                    ));
                }
                free.forget();
                let request = free.ask(at, buf.len());
                self.desk.bell.notify_all();
                state = free;
                request
            }
        };
        let number = request.number;
        let (mut state, answered) = self.desk.wait(state, until(), |state| {
            state.answers.front().is_some_and(|(of, ..)| *of == number)
        });
        let answer = if answered {
            state.answers.pop_front()
        } else {
            None
        };
        let Some((_, answer, block)) = answer else {
            state.forget();
            return Err(self.no_answer(at, buf.len(), "the time limit ran out"));
        };
        // The reader goes on with the other buffer meanwhile.
        drop(state);
        let copied = answer.and_then(|()| match block.get(..buf.len()) {
            Some(bytes) => {
                buf.copy_from_slice(bytes);
                Ok(())
            }
            None => Err(self.no_answer(at, buf.len(), "the answer was lost")),
        });
        self.desk.lock().spare.push(block);
        self.desk.bell.notify_all();
        copied
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
        let Some((request, mut block)) = state.take() else {
            state = desk
                .bell
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
            continue;
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
        state.busy = false;
        if answer.is_err() {
            // What was to follow it is asked for when somebody comes for it, if at all.
            state.wary = true;
            state.requests.clear();
            state.ahead.retain(|ahead| ahead.number <= request.number);
        }
        state.answers.push_back((request.number, answer, block));
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
        if state.ahead.is_empty() {
            // Nobody waits: what the reader is busy with is owed, what it answered came too late.
            if state.busy {
                return;
            }
            state.forget();
        }
        if state.ahead.len() < AHEAD && !state.wary && bytes <= PIECE {
            let request = state.ask(at, bytes);
            state.ahead.push_back(request);
            self.desk.bell.notify_all();
        }
    }

    /// Busy, and nobody waits for it nor asked for it ahead.
    fn owes(&self) -> bool {
        let Ok(_nobody_is_waiting) = self.turn.try_lock() else {
            return false;
        };
        let state = self.desk.lock();
        state.busy && state.ahead.is_empty()
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
#[path = "watchdog_tests.rs"]
mod tests;
