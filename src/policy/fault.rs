//! What is wrong with a policy: file, line, column, what was found and what is allowed.

use std::fmt;

/// A policy that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PolicyFault {
    /// The file, as named by the caller.
    pub file: String,
    /// Line and column from 1; `None` = the fault is in no one place.
    pub place: Option<(usize, usize)>,
    /// What was found and what was expected.
    pub what: String,
}

impl PolicyFault {
    /// A fault at byte `at` of `text`, still without words.
    pub(super) fn at(file: &str, text: &str, at: usize) -> Self {
        let before = text.get(..at).unwrap_or(text);
        let line = before.matches('\n').count() + 1;
        let column = before
            .rsplit('\n')
            .next()
            .unwrap_or_default()
            .chars()
            .count()
            + 1;
        Self {
            file: file.to_owned(),
            place: Some((line, column)),
            what: String::new(),
        }
    }

    /// The same place, with words.
    pub(super) fn says(mut self, what: String) -> Self {
        self.what = what;
        self
    }

    pub(super) fn bare(file: &str, what: String) -> Self {
        Self {
            file: file.to_owned(),
            place: None,
            what,
        }
    }

    pub(super) fn missing(file: &str, what: &str, next: &str) -> Self {
        Self::bare(file, format!("{what} is missing: {next}"))
    }

    pub(super) fn unknown_name(name: &str, known: impl Iterator<Item = &'static str>) -> Self {
        let known: Vec<_> = known.collect();
        Self::bare(
            name,
            format!(
                "there is no policy of this name; there are {}, or give a file",
                known.join(", ")
            ),
        )
    }

    pub(super) fn toml(file: &str, text: &str, error: &toml::de::Error) -> Self {
        let what = error.message().trim().replace('\n', "; ");
        match error.span() {
            Some(span) => Self::at(file, text, span.start).says(what),
            None => Self::bare(file, what),
        }
    }
}

impl fmt::Display for PolicyFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "read policy {}", self.file)?;
        if let Some((line, column)) = self.place {
            write!(f, ", line {line}, column {column}")?;
        }
        write!(f, ": {}", self.what)
    }
}

impl std::error::Error for PolicyFault {}
