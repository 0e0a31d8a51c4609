//! A drive that stands still, what is fetched ahead, and a transport that falls silent.

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
    while drive.desk.lock().answers.is_empty() {
        std::thread::yield_now();
    }
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
    drive.soon(1024, 512);
    while !drive.desk.lock().busy {
        std::thread::yield_now();
    }
    let refused = drive.read_at(1024, &mut [0u8; 512]).unwrap_err();
    assert!(refused.errno.contains("not asked"));
    go.send(()).unwrap();
    drive.set_limit(Duration::from_secs(20));
    drive.read_at(2048, &mut [0u8; 512]).unwrap();
    assert_eq!(asked.load(Ordering::SeqCst), 2);
}

#[test]
fn what_was_announced_comes_in_its_order_and_nothing_behind_a_fault() {
    let (_go, hold) = channel();
    let asked = Arc::new(AtomicU64::new(0));
    let drive = WatchedSectors::new(
        Standing {
            at: u64::MAX,
            hold: Mutex::new(hold),
            asked: Arc::clone(&asked),
        },
        "made up",
        Duration::from_secs(20),
        &MachineMemory,
    )
    .unwrap();
    let mut buf = vec![0u8; 512];
    let mut read = |at: u64| {
        let answer = drive.read_at(at, &mut buf);
        answer.map(|()| assert!(buf.iter().all(|byte| u64::from(*byte) == at / 512)))
    };
    // As many as there are buffers; what more is announced is asked for when it is wanted.
    for at in [1024, 1536, 2048] {
        drive.soon(at, 512);
    }
    while drive.desk.lock().answers.len() < AHEAD {
        std::thread::yield_now();
    }
    assert_eq!(asked.load(Ordering::SeqCst), 2);
    for at in [1024, 1536, 2048] {
        read(at).unwrap();
    }
    assert_eq!(asked.load(Ordering::SeqCst), 3);
    for at in [1024, 1536] {
        drive.soon(at, 512);
    }
    for at in (1024..40 * 512).step_by(512) {
        read(at).unwrap();
        drive.soon(at + 1024, 512);
    }
    read(40 * 512).unwrap();
    read(41 * 512).unwrap();
    assert_eq!(asked.swap(0, Ordering::SeqCst), 3 + 40);
    for at in [512, 1024] {
        drive.soon(at, 512);
    }
    assert_eq!(read(512).unwrap_err().kind, FaultKind::Refused);
    assert_eq!(asked.load(Ordering::SeqCst), 1);
    read(1024).unwrap();
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
    let mut transport = WatchedTransport::new(Box::new(Mute), Duration::from_millis(100)).unwrap();
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
