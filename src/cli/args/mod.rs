//! The command line: every command and option of the interface, with its help.
//!
//! Invariant: paths are never text (`OsString`, `PathBuf`); help, manual and completions all
//! come from this one description.

mod options;
mod words;

pub use options::*;

use crate::step::outcome::Exit;
use clap::{Args, CommandFactory, Parser, Subcommand};
use std::ffi::OsString;

/// Stands between a customer's drive and a wipe: reads its health, copies with proof, and releases
/// it only when everything is accounted for.
#[derive(Debug, Parser)]
#[command(
    name = "holdpoint",
    version,
    subcommand_required = true,
    arg_required_else_help = true
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Options of every command.
    #[command(flatten)]
    pub common: Common,
}

/// Options of every command.
#[derive(Debug, Clone, Copy, Args)]
pub struct Common {
    /// Print exactly one JSON document on standard output [default: text for people]
    #[arg(long, global = true, help_heading = "Output")]
    pub json: bool,
    /// Print the outcome only: no progress, hints or cautions
    #[arg(long, global = true, help_heading = "Output")]
    pub quiet: bool,
}

/// Every command.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Start a job: put drives (or one folder) on hold
    #[command(after_help = "Examples:
  holdpoint open --drive /dev/nvme0n1 --to /mnt/shelf-a --to /mnt/shelf-b
  holdpoint open --folder ~/Pictures --to /mnt/shelf-a --owner 'M. Sample' \\
      --symptom none --memory known-good --must-have 'the wedding, 2019'")]
    Open(OpenArgs),
    /// Read the drives' health; forecast what copying may cost
    #[command(after_help = "Examples:
  holdpoint assess /mnt/shelf-a/job-17
  holdpoint assess /mnt/shelf-a/job-17 --explain
  holdpoint assess /mnt/shelf-a/job-17 --replies ./recorded-replies")]
    Assess(AssessArgs),
    /// Survey every volume; say what is there and in which order it is copied
    ///
    /// Of a stretch that belongs to no volume, and of a partition in which nothing is recognised, the first 8 GiB (8.59 GB) are
    /// looked at; what lies behind them is named as not looked at (gap-unread, volume-unrecognised), and the owner decides.
    #[command(after_help = "Examples:
  holdpoint plan /mnt/shelf-a/job-17
  holdpoint plan /mnt/shelf-a/job-17 --list --json > everything.json")]
    Plan(PlanArgs),
    /// Copy by the plan, most precious first; may be stopped and started again at any moment
    #[command(after_help = "Examples:
  holdpoint copy /mnt/shelf-a/job-17
  holdpoint copy /mnt/shelf-a/job-17 --limit-minutes 45")]
    Copy(CopyArgs),
    /// Read every copy back from its medium and compare
    #[command(after_help = "Examples:
  holdpoint verify /mnt/shelf-a/job-17
  holdpoint verify /mnt/shelf-b/job-17/bag --attest     (no job at hand)")]
    Verify(VerifyArgs),
    /// Look whether the copies are what they claim to be
    #[command(after_help = "Examples:
  holdpoint inspect /mnt/shelf-a/job-17 --fault-since 2026-11-01
  holdpoint inspect /mnt/shelf-a/job-17 --sample 12")]
    Inspect(InspectArgs),
    /// Record that something may be lost (who decided, why), or answer a must-have
    #[command(after_help = "Examples:
  holdpoint waive /mnt/shelf-a/job-17 --item 'Music/old tape.wav' \\
      --reason 'owner has the tape' --decided-by owner --name 'M. Sample' --how phone
  holdpoint waive /mnt/shelf-a/job-17 --must-have 1 --found 'Pictures/2019'
  holdpoint waive /mnt/shelf-a/job-17 --must-have 2 --not-here \\
      --reason 'it is on the old phone'")]
    Waive(WaiveArgs),
    /// Ask the gate: the open points, or the signed certificate
    #[command(after_help = "Examples:
  holdpoint release /mnt/shelf-a/job-17
  holdpoint release /mnt/shelf-a/job-17 --key ~/.ssh/shop_key --valid 2")]
    Release(ReleaseArgs),
    /// Ten seconds: does the release still hold for the drives present now?
    #[command(after_help = "Examples:
  holdpoint recheck /mnt/shelf-a/job-17
  holdpoint recheck /mnt/shelf-a/job-17 --drive /dev/sdb")]
    Recheck(RecheckArgs),
    /// Run a wiping command, only for a released drive, only against that very drive
    #[command(after_help = "Examples:
  holdpoint guard /mnt/shelf-a/job-17 --dry-run -- blkdiscard {drive}
  holdpoint guard /mnt/shelf-a/job-17 -- blkdiscard {drive}

One argument of CMD must hold {drive}; the identified drive is put in its place.")]
    Guard(GuardArgs),
    /// Write a paper: receipt, sheet to sign, hold tag or release slip
    #[command(after_help = "Examples:
  holdpoint print /mnt/shelf-a/job-17 --paper tag
  holdpoint print /mnt/shelf-a/job-17 --paper receipt --names folders --out ./papers")]
    Print(PrintArgs),
    /// Return the saved items to the fresh system, checked again
    #[command(after_help = "Examples:
  holdpoint put-back /mnt/shelf-a/job-17 --to /mnt/fresh/Users
  holdpoint put-back /mnt/shelf-a/job-17 --to /mnt/fresh --person anna")]
    PutBack(PutBackArgs),
    /// End the shop's own copy after its keeping time, on the record
    #[command(after_help = "Examples:
  holdpoint close /mnt/shelf-a/job-17 --keep-until 2026-12-09
  holdpoint close /mnt/shelf-a/job-17 --now --reason 'owner asked for it'")]
    Close(CloseArgs),
    /// Say where a job (or every job) stands and what comes next
    #[command(after_help = "Examples:
  holdpoint show
  holdpoint show /mnt/shelf-a/job-17")]
    Show(ShowArgs),
    /// Go through the whole job, asking only what cannot be known
    #[command(after_help = "Examples:
  holdpoint run --drive /dev/sdb --to /mnt/shelf-a --to /mnt/shelf-b
  holdpoint run --folder ./Pictures --to /mnt/shelf-a --policy practice \\
      --owner 'M. Sample' --symptom none --memory known-good --must-have none --yes
  holdpoint run --job /mnt/shelf-a/job-17")]
    Run(RunArgs),
    /// Show a job from intake to release on an invented customer's failing drive; needs no hardware
    #[command(after_help = "Example:
  holdpoint demo --keep ./demo-job")]
    Demo(DemoArgs),
    /// List, explain or check policies
    #[command(after_help = "Examples:
  holdpoint policy list
  holdpoint policy explain home
  holdpoint policy check ./our-shop.toml")]
    Policy(PolicyArgs),
    /// Print the JSON Schema of every JSON document
    #[command(after_help = "Example:
  holdpoint schema > holdpoint.schema.json")]
    Schema,
    /// Print the manual page (roff), or write one page per command
    #[command(after_help = "Examples:
  holdpoint manual | man -l -
  holdpoint manual --out ./man")]
    Manual(ManualArgs),
    /// Print completions for a shell
    #[command(after_help = "Example:
  holdpoint completions bash > /etc/bash_completion.d/holdpoint")]
    Completions(CompletionsArgs),
}

impl Command {
    /// The word of the command, as typed.
    pub fn word(&self) -> &'static str {
        match self {
            Command::Open(_) => "open",
            Command::Assess(_) => "assess",
            Command::Plan(_) => "plan",
            Command::Copy(_) => "copy",
            Command::Verify(_) => "verify",
            Command::Inspect(_) => "inspect",
            Command::Waive(_) => "waive",
            Command::Release(_) => "release",
            Command::Recheck(_) => "recheck",
            Command::Guard(_) => "guard",
            Command::Print(_) => "print",
            Command::PutBack(_) => "put-back",
            Command::Close(_) => "close",
            Command::Show(_) => "show",
            Command::Run(_) => "run",
            Command::Demo(_) => "demo",
            Command::Policy(_) => "policy",
            Command::Schema => "schema",
            Command::Manual(_) => "manual",
            Command::Completions(_) => "completions",
        }
    }
}

/// The commands by phase of the job, as `--help` groups them.
pub const PHASES: [(&str, &[&str]); 5] = [
    ("Take in", &["open", "assess", "plan"]),
    ("Save", &["copy", "verify", "inspect"]),
    ("Decide", &["waive", "release", "recheck", "guard"]),
    ("Hand back", &["print", "put-back", "close"]),
    (
        "Whole job and reference",
        &[
            "show",
            "run",
            "demo",
            "policy",
            "schema",
            "manual",
            "completions",
        ],
    ),
];

/// The command tree with the help grouped by phase, wrapped at `width` columns.
pub fn tree(width: usize) -> clap::Command {
    let plain = Cli::command();
    let mut template = String::from("{about-with-newline}\n{usage-heading} {usage}\n");
    for (phase, names) in PHASES {
        template.push_str(&format!("\n{phase}:\n"));
        for name in names {
            let about = plain
                .find_subcommand(name)
                .and_then(|command| command.get_about())
                .map(ToString::to_string)
                .unwrap_or_default();
            for line in hanging(&about, width, 15, name) {
                template.push_str(&line);
                template.push('\n');
            }
        }
    }
    template.push_str("\nOptions:\n{options}{after-help}");
    plain
        .help_template(template)
        .after_help(exit_codes())
        .term_width(width)
        .color(clap::ColorChoice::Never)
}

/// The exit codes, for help and manual.
pub fn exit_codes() -> String {
    let mut out = String::from("Exit codes:\n");
    for exit in Exit::ALL {
        out.push_str(&format!("  {}  {}\n", exit.code(), exit.meaning()));
    }
    out.pop();
    out
}

/// Wraps `text` behind a left column of `left` characters that holds `name`.
fn hanging(text: &str, width: usize, left: usize, name: &str) -> Vec<String> {
    let room = width.saturating_sub(left).max(20);
    let mut lines: Vec<String> = Vec::new();
    let mut line = format!("{:<left$}", format!("  {name}"));
    let mut used = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > room {
            lines.push(std::mem::replace(&mut line, " ".repeat(left)));
            used = 0;
        }
        if used > 0 {
            line.push(' ');
            used += 1;
        }
        line.push_str(word);
        used += length;
    }
    lines.push(line);
    lines
}

/// Reads a command line (the program's name first).
pub fn parse(args: impl IntoIterator<Item = OsString>, width: usize) -> Result<Cli, clap::Error> {
    use clap::FromArgMatches;
    let matches = tree(width).try_get_matches_from(args)?;
    Cli::from_arg_matches(&matches)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(line: &[&str]) -> Result<Cli, clap::Error> {
        parse(
            std::iter::once("holdpoint")
                .chain(line.iter().copied())
                .map(OsString::from),
            80,
        )
    }

    #[test]
    fn the_tree_is_sound() {
        tree(80).debug_assert();
    }

    #[test]
    fn help_lists_every_command_once_and_every_option_has_a_line() {
        let help = tree(80).render_long_help().to_string();
        for command in tree(80).get_subcommands() {
            let start = format!("\n  {} ", command.get_name());
            assert_eq!(help.matches(&start).count(), 1, "{start}");
            assert!(command.get_after_help().is_some(), "{}", command.get_name());
            for option in command.get_arguments() {
                assert!(
                    option
                        .get_help()
                        .is_some_and(|help| !help.to_string().is_empty()),
                    "{} {}",
                    command.get_name(),
                    option.get_id()
                );
            }
        }
        let grouped: usize = PHASES.iter().map(|(_, names)| names.len()).sum();
        assert_eq!(grouped, tree(80).get_subcommands().count());
        for (phase, _) in PHASES {
            assert_eq!(help.matches(&format!("\n{phase}:\n")).count(), 1);
        }
    }

    #[test]
    fn help_keeps_to_the_width() {
        for width in [80, 120] {
            let mut root = tree(width);
            root.build();
            let mut pages = vec![root.clone().render_long_help().to_string()];
            for command in root.get_subcommands() {
                pages.push(
                    command
                        .clone()
                        .term_width(width)
                        .render_long_help()
                        .to_string(),
                );
            }
            for line in pages.iter().flat_map(|page| page.lines()) {
                assert!(line.chars().count() <= width, "{line}");
            }
        }
    }

    #[test]
    fn what_follows_the_dashes_belongs_to_the_command() {
        let cli = read(&["guard", "/job", "--", "erase", "--json", "{drive}"]).unwrap();
        assert!(!cli.common.json);
        let Command::Guard(guard) = cli.command else {
            panic!("not guard")
        };
        assert_eq!(guard.command, ["erase", "--json", "{drive}"]);
        assert_eq!(
            read(&["guard", "/job", "erase"]).unwrap_err().exit_code(),
            2
        );
        assert_eq!(read(&["guard", "/job"]).unwrap_err().exit_code(), 2);
    }

    #[test]
    fn usage_errors_are_exit_code_2() {
        for line in [
            &["wipe"][..],
            &["open", "--symptom", "sad", "--folder", "/a"],
            &["open", "--folder", "/a", "--drive", "/b"],
            &["release", "/job", "--valid", "25"],
            &["close", "/job", "--keep-until", "soon"],
            &["copy", "/job", "--limit-bytes", "-1"],
            &["put-back", "/job", "--to", "/x", "--map", "nothing"],
            &["waive", "/job", "--volume", "nothing"],
            // A printed command, pasted with the words that stand for something.
            &["waive", "/job", "--no-rescue", "--reason", "TEXT"],
            &["waive", "/job", "--no-rescue", "--name", "NAME"],
            &["release", "/job", "--second-look", "None"],
            &["release", "/job", "--second-look", "TEXT"],
            &["open", "--folder", "/a", "--must-have", "TEXT"],
        ] {
            assert_eq!(read(line).unwrap_err().exit_code(), 2, "{line:?}");
        }
    }

    #[test]
    fn a_copy_is_kept_to_the_end_of_the_day_that_was_named() {
        let until = |text: &str| {
            let cli = read(&["close", "/job", "--keep-until", text]).unwrap();
            let Command::Close(close) = cli.command else {
                panic!("not close")
            };
            close.keep_until.unwrap().to_string()
        };
        assert_eq!(until("2026-12-05"), "2026-12-05T23:59:59Z");
        assert_eq!(until("2026-12-05T09:30:00Z"), "2026-12-05T09:30:00Z");
    }

    #[test]
    fn paths_need_not_be_text() {
        use std::os::unix::ffi::OsStringExt;
        let odd = OsString::from_vec(b"/caf\xe9".to_vec());
        let cli = parse(["holdpoint".into(), "plan".into(), odd.clone()], 80).unwrap();
        let Command::Plan(plan) = cli.command else {
            panic!("not plan")
        };
        assert_eq!(plan.job.as_os_str(), odd);
    }

    #[test]
    fn output_options_work_before_and_after_the_command() {
        assert!(read(&["--json", "show"]).unwrap().common.json);
        assert!(read(&["show", "--json", "--quiet"]).unwrap().common.quiet);
    }
}
