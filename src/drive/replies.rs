//! The raw replies of one reading, kept byte for byte so that they can be stored and
//! decoded again by a later version.
//!
//! Invariant: what was stored is what the device sent; a question that was never asked is
//! not among them and counts as not reported.

use super::question::{Question, Reply};
use crate::value::hex::unhex;
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::collections::BTreeMap;

/// Question to reply.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Replies(BTreeMap<Question, Reply>);

static NEVER_ASKED: Reply = Reply::NotReported;

impl Replies {
    /// The reply; a question never asked is not reported.
    pub fn get(&self, question: Question) -> &Reply {
        self.0.get(&question).unwrap_or(&NEVER_ASKED)
    }

    /// Keeps a reply.
    pub fn put(&mut self, question: Question, reply: Reply) {
        self.0.insert(question, reply);
    }

    /// Whether the question was asked.
    pub fn asked(&self, question: Question) -> bool {
        self.0.contains_key(&question)
    }

    /// All of them, in the order of [`Question`].
    pub fn iter(&self) -> impl Iterator<Item = (Question, &Reply)> {
        self.0.iter().map(|(question, reply)| (*question, reply))
    }

    /// Whether any question of the family chosen by `of` got bytes or a refusal.
    pub fn any(&self, of: impl Fn(Question) -> bool) -> bool {
        self.iter()
            .any(|(question, reply)| of(question) && *reply != Reply::NotReported)
    }
}

/// One reply as stored: `{"bytes": "<hex>"}`, `{"unread": "<why>"}` or `{"not_reported": true}`.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Stored {
    Bytes(String),
    Unread(String),
    NotReported(bool),
}

impl Serialize for Replies {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.iter().map(|(question, reply)| {
            let stored = match reply {
                Reply::Bytes(bytes) => Stored::Bytes(super::health::page::hex(bytes)),
                Reply::Unread(why) => Stored::Unread(why.clone()),
                Reply::NotReported => Stored::NotReported(true),
            };
            (question.file_name(), stored)
        }))
    }
}

impl<'de> Deserialize<'de> for Replies {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let mut replies = Self::default();
        for (name, stored) in BTreeMap::<String, Stored>::deserialize(deserializer)? {
            let question = Question::from_file_name(&name)
                .ok_or_else(|| D::Error::custom(format!("'{name}' names no question")))?;
            let reply = match stored {
                Stored::Bytes(text) => Reply::Bytes(unhex(&text).ok_or_else(|| {
                    D::Error::custom(format!("'{name}': expected pairs of hex digits"))
                })?),
                Stored::Unread(why) => Reply::Unread(why),
                Stored::NotReported(_) => Reply::NotReported,
            };
            replies.put(question, reply);
        }
        Ok(replies)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn replies_survive_storing_byte_for_byte() {
        let mut replies = Replies::default();
        replies.put(Question::NvmeLog(2), Reply::Bytes((0..=255).collect()));
        replies.put(
            Question::AtaIdentify,
            Reply::Unread("sense 05/20/00".into()),
        );
        replies.put(Question::AtaGpl(4, 1), Reply::NotReported);
        let text = serde_json::to_string(&replies).unwrap();
        assert_eq!(serde_json::from_str::<Replies>(&text).unwrap(), replies);
        assert!(replies.any(|q| q == Question::AtaIdentify));
        assert!(!replies.any(|q| q == Question::AtaGpl(4, 1)));
        assert_eq!(*replies.get(Question::ScsiInquiry), Reply::NotReported);
    }

    #[test]
    fn damaged_storage_is_refused() {
        for odd in [
            r#"{"x.bin": {"bytes": "00"}}"#,
            r#"{"ata-identify.bin": {"bytes": "0"}}"#,
            r#"{"ata-identify.bin": {"bytes": "zz"}}"#,
        ] {
            assert!(serde_json::from_str::<Replies>(odd).is_err(), "{odd}");
        }
    }
}
