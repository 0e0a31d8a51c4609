//! A crew: one thread that hands out errands and takes in results, and workers that do them.
//!
//! The ledger has one writer, so everything that touches it stays with the foreman. Without
//! workers the same errands are done one after the other, in order: that is how simulated
//! lives run, and how a weak drive is read.

use std::sync::Mutex;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

/// Errands handed out and not yet back: enough that workers stay busy while a batch is committed.
const IN_FLIGHT: usize = 2048;
/// How long the foreman waits for a result before looking around.
const LOOK_AROUND: Duration = Duration::from_millis(200);

/// Hands out errands and takes in what came of them.
pub trait Foreman {
    /// One piece of work.
    type Errand: Send;
    /// What came of it.
    type Done: Send;
    /// Why the whole crew must stop.
    type Error;
    /// The next errand; `None` = no more.
    fn next(&mut self) -> Result<Option<Self::Errand>, Self::Error>;
    /// Takes in a result.
    fn take(&mut self, done: Self::Done) -> Result<(), Self::Error>;
    /// Errands handed out and not yet back, at most.
    fn most_in_flight(&self) -> usize {
        usize::MAX
    }
    /// Called when nothing came back for a while.
    fn look_around(&mut self) -> Result<(), Self::Error> {
        Ok(())
    }
}

/// What one worker does with an errand.
pub type Hand<'a, F> = Box<dyn FnMut(<F as Foreman>::Errand) -> <F as Foreman>::Done + 'a>;

/// Runs `foreman` with `workers` threads (0 = none); `hire` makes each worker's hand, on its own thread.
pub fn run<'a, F: Foreman>(
    workers: usize,
    foreman: &mut F,
    hire: &(dyn Fn() -> Hand<'a, F> + Sync),
) -> Result<(), F::Error> {
    if workers == 0 {
        let mut hand = hire();
        while let Some(errand) = foreman.next()? {
            foreman.take(hand(errand))?;
        }
        return Ok(());
    }
    std::thread::scope(|scope| {
        let (give, queue) = channel::<F::Errand>();
        let queue = std::sync::Arc::new(Mutex::new(queue));
        let (report, reports) = channel::<F::Done>();
        let crew: Vec<_> = (0..workers)
            .map(|_| {
                let (queue, report) = (queue.clone(), report.clone());
                scope.spawn(move || work::<F>(hire(), &queue, &report))
            })
            .collect();
        drop(report);
        // When this returns early the queue closes and the workers end; what they still finish is simply done again later.
        // Nobody leaves while the queue is open: a worker that did has panicked, and the scope passes that on.
        steer(foreman, give, &reports, &|| {
            crew.iter().any(std::thread::ScopedJoinHandle::is_finished)
        })
    })
}

fn work<F: Foreman>(
    mut hand: Hand<'_, F>,
    queue: &Mutex<Receiver<F::Errand>>,
    report: &Sender<F::Done>,
) {
    loop {
        let next = match queue.lock() {
            Ok(queue) => queue.recv(),
            Err(_) => return,
        };
        let Ok(errand) = next else { return };
        if report.send(hand(errand)).is_err() {
            return;
        }
    }
}

fn steer<F: Foreman>(
    foreman: &mut F,
    give: Sender<F::Errand>,
    reports: &Receiver<F::Done>,
    one_left: &dyn Fn() -> bool,
) -> Result<(), F::Error> {
    let (mut in_flight, mut dry) = (0usize, false);
    loop {
        while !dry && in_flight < IN_FLIGHT.min(foreman.most_in_flight()) {
            match foreman.next()? {
                None => dry = true,
                Some(errand) => match give.send(errand) {
                    Ok(()) => in_flight += 1,
                    Err(_) => dry = true,
                },
            }
        }
        if in_flight == 0 {
            return Ok(());
        }
        match reports.recv_timeout(LOOK_AROUND) {
            Ok(done) => {
                in_flight -= 1;
                foreman.take(done)?;
            }
            Err(RecvTimeoutError::Timeout) if one_left() => return Ok(()),
            Err(RecvTimeoutError::Timeout) => foreman.look_around()?,
            Err(RecvTimeoutError::Disconnected) => return Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Adder {
        left: u64,
        sum: u64,
        fail_at: Option<u64>,
    }

    impl Foreman for Adder {
        type Errand = u64;
        type Done = u64;
        type Error = String;
        fn next(&mut self) -> Result<Option<u64>, String> {
            if self.left == 0 {
                return Ok(None);
            }
            self.left -= 1;
            Ok(Some(self.left))
        }
        fn take(&mut self, done: u64) -> Result<(), String> {
            if self.fail_at == Some(done) {
                return Err("full".into());
            }
            self.sum += done;
            Ok(())
        }
    }

    #[test]
    #[should_panic(expected = "a scoped thread panicked")]
    fn a_worker_that_panics_ends_the_run() {
        let mut adder = Adder {
            left: 10,
            sum: 0,
            fail_at: None,
        };
        let _ = run(2, &mut adder, &|| {
            Box::new(|n| {
                assert_ne!(n, 5);
                n
            })
        });
    }

    #[test]
    fn every_errand_comes_back_once_with_and_without_workers() {
        for workers in [0, 1, 4] {
            let mut adder = Adder {
                left: 10_000,
                sum: 0,
                fail_at: None,
            };
            run(workers, &mut adder, &|| Box::new(|n| n * 2)).unwrap();
            assert_eq!(adder.sum, 9_999 * 10_000, "{workers} workers");
        }
    }

    #[test]
    fn a_foreman_that_stops_ends_the_crew() {
        let mut adder = Adder {
            left: 10_000,
            sum: 0,
            fail_at: Some(500),
        };
        assert_eq!(run(3, &mut adder, &|| Box::new(|n| n)), Err("full".into()));
    }
}
