//! Answers to the questions of the intake that were changed later: both stand in the record.
//!
//! Invariant: an answer that another one came after is never forgotten.

use super::Setup;
use crate::paper::certificate::AnswerRef;
use crate::value::Moment;
use serde::{Deserialize, Serialize};

/// An answer to a question of the intake.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AnswerKept {
    /// `symptom` or `memory`.
    pub question: String,
    /// What was answered.
    pub answer: String,
    /// When.
    pub at: Moment,
}

impl Setup {
    /// The answers to a question that was answered more than once, oldest first.
    pub fn answers_in_words(&self, question: &str) -> Option<String> {
        let told: Vec<String> = self
            .answers
            .iter()
            .filter(|kept| kept.question == question)
            .map(|kept| format!("{} at {}", kept.answer, kept.at))
            .collect();
        (!told.is_empty()).then(|| format!("told {}", told.join(", then ")))
    }

    /// Adds an answer that differs from the one in force, `before`, told at `since`.
    pub fn answer(&mut self, question: &str, before: (Option<&str>, Moment), now: (&str, Moment)) {
        let (Some(earlier), since) = before else {
            return;
        };
        let newest = self
            .answers
            .iter()
            .rev()
            .find(|kept| kept.question == question);
        let newest = newest.map(|kept| kept.answer.clone());
        if newest.as_deref().unwrap_or(earlier) == now.0 {
            return;
        }
        let kept = |(answer, at): (&str, Moment)| AnswerKept {
            question: question.to_owned(),
            answer: answer.to_owned(),
            at,
        };
        if newest.is_none() {
            self.answers.push(kept((earlier, since)));
        }
        self.answers.push(kept(now));
    }

    /// The changed answers, as a certificate names them.
    pub fn answer_refs(&self) -> Vec<AnswerRef> {
        self.answers
            .iter()
            .map(|kept| AnswerRef {
                question: kept.question.clone(),
                answer: kept.answer.clone(),
                at: kept.at,
            })
            .collect()
    }
}
