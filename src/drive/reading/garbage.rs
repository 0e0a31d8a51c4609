//! Random and damaged replies: no decoder panics, and nothing favourable comes out.

use super::tests::{Recorded, WORN, at, find, read, seal};
use super::*;
use crate::drive::question::{Question, Reply};
use crate::drive::signal::SignalId;
use crate::value::Known;
use proptest::prelude::*;

/// Any reply for any question that a decoder of ours reads.
fn any_reply() -> impl Strategy<Value = (Question, Reply)> {
    let bytes = prop_oneof![
        proptest::collection::vec(any::<u8>(), 0..700),
        proptest::collection::vec(any::<u8>(), 512..=512),
        proptest::collection::vec(any::<u8>(), 564..=564),
        proptest::collection::vec(prop_oneof![Just(0u8), Just(0xff), any::<u8>()], 0..1100),
    ];
    (proptest::sample::select(asking::every_question()), bytes)
        .prop_map(|(question, bytes)| (question, Reply::Bytes(bytes)))
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn any_replies_make_a_reading(replies in proptest::collection::vec(any_reply(), 0..12)) {
        let mut all = Replies::default();
        for (question, reply) in replies {
            all.put(question, reply);
        }
        for hint in [Hint::recorded(), Hint::default()] {
            let r = Reading::take(&mut Recorded(all.clone()), at(0), &hint);
            prop_assert_eq!(r.readable, r.why_not.is_none());
            // A drive that answers and tells none of the counts that matter has told nothing of its health either.
            prop_assert_eq!(r.evidence.is_blind(), find(&r, SignalId::HealthUnread).is_some());
            prop_assert!(r.readable || r.evidence.is_blind());
            let again = serde_json::to_string(&r.stored()).unwrap();
            let again: StoredReading = serde_json::from_str(&again).unwrap();
            prop_assert_eq!(again.decode(), r);
        }
    }

    #[test]
    fn attribute_pages_without_a_sound_sum_hold_no_good_news(mut page in proptest::collection::vec(any::<u8>(), 512..=512)) {
        seal(&mut page);
        page[511] = page[511].wrapping_add(1);
        let r = read(&[(Question::AtaSmartData, &page), (Question::AtaSmartThresholds, &page)]);
        prop_assert!(!r.readable);
        let e = r.evidence;
        for count in [e.sectors_awaiting, e.sectors_remapped, e.reads_given_up, e.scan_unreadable, e.commands_overdue, e.link_garbled] {
            prop_assert_ne!(count, Some(0));
        }
        prop_assert_ne!(e.limit_crossed, Some(false));
    }

    #[test]
    fn the_verdict_is_never_good_from_other_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..5)) {
        prop_assume!(bytes != [0x4f, 0xc2]);
        let r = read(&[(Question::AtaSmartStatus, &bytes)]);
        prop_assert_ne!(r.evidence.limit_crossed, Some(false));
        prop_assert!(!r.readable);
    }

    #[test]
    fn a_cut_health_log_never_gains_a_zero(cut in 0usize..512) {
        let r = read(&[(Question::NvmeLog(2), &WORN[..cut])]);
        prop_assert!(!r.readable);
        prop_assert_ne!(r.evidence.data_lost_inside, Some(0));
        prop_assert_ne!(r.evidence.endurance_spent, Some(0));
    }

    #[test]
    fn sense_bytes_never_panic_nor_pass_by_chance(bytes in proptest::collection::vec(any::<u8>(), 0..64)) {
        use crate::drive::health::{ata_smart::Status, sense};
        if sense::return_status(&bytes) == Known::Value(Status::NoLimitCrossed) {
            let registers = sense::Sense::decode(&bytes).and_then(|s| s.registers).unwrap();
            prop_assert_eq!((registers.lba_mid(), registers.lba_high()), (0x4f, 0xc2));
        }
    }
}
