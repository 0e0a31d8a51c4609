//! Made-up adapters, each with a habit that real ones have.

use super::*;
use std::sync::{Arc, Mutex};

type Log = Arc<Mutex<Vec<Vec<u8>>>>;
type Habit = Box<dyn FnMut(&[u8], usize) -> Result<Outcome, Errno> + Send>;

struct Adapter {
    log: Log,
    habit: Habit,
}

impl Sender for Adapter {
    fn send(&mut self, command: &[u8], bytes: usize) -> Result<Outcome, Errno> {
        assert!(sg::is_reading(command), "{command:02x?}");
        self.log.lock().unwrap().push(command.to_vec());
        (self.habit)(command, bytes)
    }
}

fn behind(
    bus: Bus,
    vendor: &str,
    habit: impl FnMut(&[u8], usize) -> Result<Outcome, Errno> + Send + 'static,
) -> (ScsiTransport, Log) {
    let log = Log::default();
    let adapter = Adapter {
        log: Arc::clone(&log),
        habit: Box::new(habit),
    };
    (
        ScsiTransport::over(Box::new(adapter), bus, Some(vendor)),
        log,
    )
}

fn fixed(key: u8, code: u8, qualifier: u8) -> Outcome {
    let mut sense = vec![0u8; 18];
    sense[0] = 0x70;
    sense[2] = key;
    sense[7] = 10;
    sense[12] = code;
    sense[13] = qualifier;
    Outcome {
        status: 2,
        sense,
        ..Outcome::default()
    }
}

fn registers(error: u8, mid: u8, high: u8, status: u8) -> Outcome {
    let mut sense = vec![0x72, 0x01, 0x00, 0x1d, 0, 0, 0, 14];
    sense.extend([0x09, 0x0c, 0, error, 0, 0, 0, 0, 0, mid, 0, high, 0, status]);
    Outcome {
        status: 2,
        sense,
        ..Outcome::default()
    }
}

fn data(byte: u8, bytes: usize) -> Outcome {
    let mut data = vec![byte; bytes];
    if let Some(first) = data.first_mut() {
        *first = 0x5a;
    }
    Outcome {
        data,
        ..Outcome::default()
    }
}

#[test]
fn command_blocks_are_those_of_the_standard() {
    // ATA PASS-THROUGH (16) and (12), SAT-4 clause 12.2 (from memory), commands of ACS-3.
    let block = |question, form| Ata::of(question).unwrap().block(form);
    let hex = |bytes: Option<Vec<u8>>| {
        bytes.map(|bytes| {
            bytes
                .iter()
                .map(|b| format!("{b:02X}"))
                .collect::<Vec<_>>()
                .join(" ")
        })
    };
    let sixteen = |question| hex(block(question, Form::Sixteen)).unwrap();
    assert_eq!(
        sixteen(Question::AtaIdentify),
        "85 08 0E 00 00 00 01 00 00 00 00 00 00 00 EC 00"
    );
    assert_eq!(
        sixteen(Question::AtaSmartData),
        "85 08 0E 00 D0 00 01 00 00 00 4F 00 C2 00 B0 00"
    );
    assert_eq!(
        sixteen(Question::AtaLog(0x06)),
        "85 08 0E 00 D5 00 01 00 06 00 4F 00 C2 00 B0 00"
    );
    assert_eq!(
        sixteen(Question::AtaGpl(0x04, 0x03)),
        "85 09 0E 00 00 00 01 00 04 00 03 00 00 00 2F 00"
    );
    // CK_COND and no data. The status needs no count.
    assert_eq!(
        sixteen(Question::AtaSmartStatus),
        "85 06 20 00 DA 00 00 00 00 00 4F 00 C2 00 B0 00"
    );
    assert_eq!(
        hex(block(Question::AtaSmartData, Form::Twelve)).unwrap(),
        "A1 08 0E D0 01 00 4F C2 00 B0 00 00"
    );
    assert_eq!(block(Question::AtaGpl(4, 0), Form::Twelve), None);
}

#[test]
fn an_adapter_that_refuses_both_forms_is_asked_once_and_named() {
    let (mut usb, log) = behind(Bus::Usb, "MADE UP", |_, _| Ok(fixed(5, 0x20, 0)));
    for question in [
        Question::AtaIdentify,
        Question::AtaSmartData,
        Question::AtaSmartStatus,
    ] {
        let Reply::Unread(why) = usb.ask(question) else {
            panic!("{question:?} was answered");
        };
        assert!(why.contains("USB adapter does not pass health requests on"));
    }
    let sent: Vec<u8> = log.lock().unwrap().iter().map(|c| c[0]).collect();
    assert_eq!(sent, [0x85, 0xa1]);
}

#[test]
fn an_adapter_that_knows_only_the_short_form_is_used_so() {
    let (mut usb, log) = behind(Bus::Usb, "MADE UP", |command, bytes| {
        Ok(if command[0] == 0x85 {
            fixed(5, 0x24, 0)
        } else {
            data(1, bytes)
        })
    });
    assert!(matches!(usb.ask(Question::AtaIdentify), Reply::Bytes(page) if page.len() == 512));
    assert!(matches!(usb.ask(Question::AtaSmartData), Reply::Bytes(_)));
    assert!(matches!(usb.ask(Question::AtaGpl(4, 0)), Reply::Unread(_)));
    let sent: Vec<u8> = log.lock().unwrap().iter().map(|c| c[0]).collect();
    assert_eq!(sent, [0x85, 0xa1, 0xa1]);
}

#[test]
fn the_drives_verdict_comes_only_from_returned_registers() {
    let status = |outcome: Outcome| {
        let (mut drive, _) = behind(Bus::Ata, "ATA", move |_, _| Ok(outcome.clone()));
        drive.ask(Question::AtaSmartStatus)
    };
    assert_eq!(
        status(registers(0, 0x4f, 0xc2, 0x50)),
        Reply::Bytes(vec![0x4f, 0xc2])
    );
    assert_eq!(
        status(registers(0, 0xf4, 0x2c, 0x50)),
        Reply::Bytes(vec![0xf4, 0x2c])
    );
    // Good status without sense: the registers were dropped on the way.
    assert!(matches!(status(Outcome::default()), Reply::Unread(_)));
    assert!(matches!(status(fixed(0x0b, 0, 0)), Reply::Unread(_)));
    assert!(matches!(status(fixed(0x01, 0, 0)), Reply::Unread(_)));
    // Aborted: SMART is switched off.
    assert!(matches!(
        status(registers(4, 0x4f, 0xc2, 0x51)),
        Reply::Unread(_)
    ));
}

#[test]
fn hollow_short_and_aborted_answers_are_no_pages() {
    let ask = |question, outcome: Outcome| {
        let (mut drive, _) = behind(Bus::Ata, "ATA", move |_, _| Ok(outcome.clone()));
        drive.ask(question)
    };
    for byte in [0, 0xff] {
        let hollow = Outcome {
            data: vec![byte; 512],
            ..Outcome::default()
        };
        assert!(matches!(
            ask(Question::AtaIdentify, hollow.clone()),
            Reply::Unread(_)
        ));
        // An empty log is a log.
        assert!(matches!(ask(Question::AtaLog(6), hollow), Reply::Bytes(_)));
    }
    let short = Outcome {
        data: vec![7; 100],
        missing: 412,
        ..Outcome::default()
    };
    assert!(matches!(
        ask(Question::AtaSmartData, short),
        Reply::Unread(_)
    ));
    let aborted = fixed(0x0b, 0, 0);
    assert_eq!(
        ask(Question::AtaGpl(4, 1), aborted.clone()),
        Reply::NotReported
    );
    assert!(matches!(
        ask(Question::AtaSmartData, aborted),
        Reply::Unread(_)
    ));
}

#[test]
fn a_scsi_drive_has_no_ata_pages_and_is_not_poked_for_them() {
    let (mut drive, log) = behind(Bus::Scsi, "MADE UP", |command, bytes| {
        Ok(match command {
            [0x12, ..] => data(1, bytes),
            [0x4d, _, 0x42, ..] => data(2, 100),
            _ => fixed(5, 0x24, 0),
        })
    });
    assert_eq!(drive.ask(Question::AtaSmartData), Reply::NotReported);
    assert!(log.lock().unwrap().is_empty());
    assert!(matches!(drive.ask(Question::ScsiInquiry), Reply::Bytes(page) if page.len() == 36));
    assert!(matches!(drive.ask(Question::ScsiVpd(0x89)), Reply::Bytes(page) if page.len() == 572));
    assert!(matches!(drive.ask(Question::ScsiLog(0x02)), Reply::Bytes(page) if page.len() == 100));
    assert_eq!(drive.ask(Question::ScsiLog(0x2f)), Reply::NotReported);
    assert_eq!(drive.ask(Question::NvmeLog(2)), Reply::NotReported);
}

#[test]
fn a_link_in_trouble_is_left_alone() {
    for trouble in [
        Ok(Outcome {
            host: 3,
            ..Outcome::default()
        }),
        Err(Errno::NODEV),
        Err(Errno::TIMEDOUT),
    ] {
        let (mut drive, log) = behind(Bus::Usb, "MADE UP", move |_, _| trouble.clone());
        for question in [
            Question::AtaIdentify,
            Question::AtaSmartData,
            Question::ScsiInquiry,
        ] {
            assert!(matches!(drive.ask(question), Reply::Unread(_)));
        }
        assert_eq!(log.lock().unwrap().len(), 1);
    }
    // Missing permission is no trouble of the link.
    let (mut drive, log) = behind(Bus::Usb, "MADE UP", |_, _| Err(Errno::PERM));
    drive.ask(Question::AtaIdentify);
    let Reply::Unread(why) = drive.ask(Question::ScsiInquiry) else {
        panic!("answered");
    };
    assert!(why.contains("needs root"));
    assert_eq!(log.lock().unwrap().len(), 2);
}

#[test]
fn a_log_is_asked_for_as_long_as_the_directory_says() {
    let (mut drive, log) = behind(Bus::Ata, "ATA", |command, bytes| {
        let mut answer = data(0, bytes);
        if command[8] == 0 {
            // Log 02h has 51 blocks (ATA8-ACS, SMART log directory), log 04h has 8, log 06h has 1.
            answer.data[4] = 51;
            answer.data[8] = 8;
            answer.data[12] = 1;
        }
        Ok(answer)
    });
    for (question, blocks) in [
        (0x06, 1),
        (0x00, 1),
        (0x02, 51),
        (0x04, 8),
        (0x06, 1),
        (0x09, 1),
    ] {
        let Reply::Bytes(page) = drive.ask(Question::AtaLog(question)) else {
            panic!("log {question:02x}h");
        };
        assert_eq!(page.len(), 512 * blocks, "log {question:02x}h");
        let sent = log.lock().unwrap().last().cloned().unwrap();
        assert_eq!(usize::from(sent[6]), blocks);
    }
}

#[test]
fn the_native_maximum_is_the_whole_address_or_nothing() {
    // ACS-2, 7.33: command 27h, no data, an address of sectors; the answer stands in all six address registers (SAT-3).
    let block = Ata::of(Question::AtaNativeMax)
        .unwrap()
        .block(Form::Sixteen);
    let hex: String = block.unwrap().iter().map(|b| format!("{b:02X}")).collect();
    assert_eq!(hex, "85072000000000000000000000402700");
    assert_eq!(
        Ata::of(Question::AtaNativeMax).unwrap().block(Form::Twelve),
        None
    );
    let answer = |extended: u8| {
        let mut sense = vec![0x72, 0x01, 0x00, 0x1d, 0, 0, 0, 14];
        sense.extend([0x09, 0x0c, extended, 0, 0, 0, 4, 1, 5, 2, 6, 3, 0x40, 0x50]);
        Outcome {
            status: 2,
            sense,
            ..Outcome::default()
        }
    };
    let ask = |outcome: Outcome| {
        let (mut drive, _) = behind(Bus::Ata, "ATA", move |_, _| Ok(outcome.clone()));
        drive.ask(Question::AtaNativeMax)
    };
    assert_eq!(ask(answer(1)), Reply::Bytes(vec![1, 2, 3, 4, 5, 6]));
    assert!(matches!(ask(answer(0)), Reply::Unread(_)));
    assert_eq!(ask(fixed(0x0b, 0, 0)), Reply::NotReported);
}
