//! How the text looks: colour, width, quiet, time zone. Decided once, at the start.
//!
//! Invariant: colour only repeats what a word already says, so nothing is lost without it.

use jiff::tz::TimeZone;

/// How the text looks.
#[derive(Debug, Clone)]
pub struct Look {
    /// Columns; text never runs over them, except for one word longer than a line.
    pub width: usize,
    /// Whether escape sequences may be written to standard output.
    pub colour: bool,
    /// The outcome only: no progress, hints or cautions.
    pub quiet: bool,
    /// A step inside `run`: what comes next happens by itself, and open points stand at the end.
    pub guided: bool,
    /// Zone that times are shown in.
    pub zone: TimeZone,
}

impl Look {
    /// Text wider than this is hard to read, whatever the terminal can show.
    pub const WIDEST: usize = 120;
    /// Below this, wrapping does more harm than good.
    pub const NARROWEST: usize = 40;
    /// Columns when nothing tells them.
    pub const USUAL: usize = 80;

    /// A look for standard output. `terminal`: whether it is one; `columns`: what it (or
    /// `COLUMNS`) says; `no_colour` and `term`: the environment's `NO_COLOR` and `TERM`.
    pub fn of(
        terminal: bool,
        columns: Option<usize>,
        no_colour: Option<&str>,
        term: Option<&str>,
        quiet: bool,
    ) -> Self {
        // NO_COLOR counts only when it is not empty (no-color.org).
        let refused = no_colour.is_some_and(|value| !value.is_empty());
        let dumb = term.is_some_and(|value| value == "dumb");
        Self {
            width: columns
                .unwrap_or(Self::USUAL)
                .clamp(Self::NARROWEST, Self::WIDEST),
            colour: terminal && !refused && !dumb,
            quiet,
            guided: false,
            zone: TimeZone::UTC,
        }
    }

    /// The look that this process's standard output asks for.
    pub fn here(quiet: bool) -> Self {
        let term = console::Term::stdout();
        let terminal = term.is_term();
        let columns = if terminal {
            term.size_checked().map(|(_, columns)| usize::from(columns))
        } else {
            std::env::var("COLUMNS")
                .ok()
                .and_then(|text| text.parse().ok())
        };
        let mut look = Self::of(
            terminal,
            columns,
            std::env::var("NO_COLOR").ok().as_deref(),
            std::env::var("TERM").ok().as_deref(),
            quiet,
        );
        // The infallible form would fall back to UTC without saying so; the zone is always printed.
        look.zone = TimeZone::try_system().unwrap_or(TimeZone::UTC);
        look
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colour_needs_a_willing_terminal() {
        let on =
            |terminal, no_colour, term| Look::of(terminal, None, no_colour, term, false).colour;
        assert!(on(true, None, Some("xterm")));
        assert!(on(true, Some(""), Some("xterm")));
        assert!(!on(true, Some("0"), Some("xterm")));
        assert!(!on(true, None, Some("dumb")));
        assert!(!on(false, None, Some("xterm")));
    }

    #[test]
    fn the_width_stays_readable() {
        let width = |columns| Look::of(true, columns, None, None, false).width;
        assert_eq!(width(None), 80);
        assert_eq!(width(Some(300)), 120);
        assert_eq!(width(Some(1)), 40);
        assert_eq!(width(Some(100)), 100);
    }
}
