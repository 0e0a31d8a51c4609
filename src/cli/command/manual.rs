//! `manual`: the command tree as manual pages (roff).

use crate::cli::args::{self, ManualArgs};
use crate::cli::desk::Desk;
use crate::cli::look::Look;
use crate::step::outcome::{Exit, ManualPrinted, Outcome, PathText, Problem};
use clap_mangen::Man;
use std::io;
use std::path::Path;

pub(super) fn go(args: &ManualArgs, desk: &mut Desk<'_>) -> Exit {
    let made = match &args.out {
        Some(folder) => pages(folder).map(|files| ManualPrinted { text: None, files }),
        None => page().map(|text| ManualPrinted {
            text: Some(text),
            files: Vec::new(),
        }),
    };
    let printed = match made {
        Ok(printed) => printed,
        Err(error) => {
            let on = args.out.as_deref().map(|path| PathText::of(path).path);
            let problem = Problem::failed(
                format!("writing manual pages: {error}"),
                on.unwrap_or_default(),
                "name a folder that can be written to with --out DIR",
            );
            return desk.refuse("manual", None, &problem);
        }
    };
    if let (Some(text), false) = (&printed.text, desk.json) {
        return desk.write_out(text, Exit::Done);
    }
    let outcome = Outcome::alone(printed);
    desk.deliver("manual", None, Ok(outcome), |page, outcome| {
        for file in &outcome.result.files {
            page.item(file);
        }
    })
}

fn root() -> clap::Command {
    let mut root = args::tree(Look::USUAL).disable_help_subcommand(true);
    root.build();
    root
}

/// Everything on one page: the program, then each command in the order of the help.
fn page() -> io::Result<String> {
    let root = root();
    let mut roff = Vec::new();
    let man = Man::new(root.clone());
    man.render_title(&mut roff)?;
    man.render_name_section(&mut roff)?;
    man.render_synopsis_section(&mut roff)?;
    man.render_description_section(&mut roff)?;
    man.render_options_section(&mut roff)?;
    let mut text = String::from_utf8_lossy(&roff).into_owned();
    for (phase, names) in args::PHASES {
        text.push_str(&format!(".SH \"{}\"\n", phase.to_uppercase()));
        for name in names {
            if let Some(command) = root.find_subcommand(name) {
                text.push_str(&section(command)?);
            }
        }
    }
    let mut codes = Vec::new();
    man.render_extra_section(&mut codes)?;
    text.push_str(&String::from_utf8_lossy(&codes).replace(".SH EXTRA", ".SH \"EXIT CODES\""));
    Ok(text)
}

/// One command, one level down.
fn section(command: &clap::Command) -> io::Result<String> {
    let man = Man::new(command.clone());
    let mut roff = Vec::new();
    man.render_synopsis_section(&mut roff)?;
    man.render_description_section(&mut roff)?;
    man.render_options_section(&mut roff)?;
    man.render_extra_section(&mut roff)?;
    let text = String::from_utf8_lossy(&roff);
    let mut out = format!(".SS \"holdpoint {}\"\n", command.get_name());
    for line in text.lines() {
        match line.strip_prefix(".SH ") {
            Some("DESCRIPTION") => out.push_str(".PP\n"),
            Some("SYNOPSIS") => {}
            Some(_) => out.push_str(".PP\n"),
            // The preamble of each part stands at the top of the page already.
            None if line.starts_with(".ie ") || line.starts_with(".el ") => {}
            None => {
                out.push_str(line);
                out.push('\n');
            }
        }
    }
    Ok(out)
}

/// One file for the program and one per command.
fn pages(folder: &Path) -> io::Result<Vec<String>> {
    std::fs::create_dir_all(folder)?;
    let root = root();
    let mut files = Vec::new();
    for command in std::iter::once(&root).chain(root.get_subcommands()) {
        let path = Man::new(command.clone()).generate_to(folder)?;
        files.push(PathText::of(&path).path);
    }
    Ok(files)
}
