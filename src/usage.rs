//! What was typed wrong, as one plain line: what, and where the right way stands.

use clap::CommandFactory;
use clap::error::ErrorKind;

use crate::cli::Cli;

/// One line for an error of the arguments; `None` where what is shown is a help text, which is asked
/// for or as good as. `first` is the first word that was typed, which may name a command.
pub(crate) fn line(error: &clap::Error, first: Option<&str>) -> Option<String> {
    let is_help = matches!(
        error.kind(),
        ErrorKind::DisplayHelp
            | ErrorKind::DisplayVersion
            | ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand
    );
    if is_help {
        return None;
    }
    let text = error.render().to_string();
    let mut said: Vec<&str> = Vec::new();
    let named = first.filter(|name| Cli::command().find_subcommand(name).is_some());
    let mut command = ["slipwright"]
        .into_iter()
        .chain(named)
        .collect::<Vec<_>>()
        .join(" ");
    for part in text.split("\n\n").map(str::trim) {
        if let Some(usage) = part.strip_prefix("Usage: ") {
            command = command_of(usage);
        } else if !part.is_empty() && !is_no_help(part) {
            said.push(part);
        }
    }
    let said: Vec<String> = said.into_iter().map(in_one_line).collect();
    Some(format!("{}; see {command} --help", said.join("; ")))
}

/// What only repeats, or helps nobody: an unknown option is seldom meant as a file's name.
fn is_no_help(part: &str) -> bool {
    part.starts_with("For more information")
        || part.starts_with("tip: to pass") && part.contains("as a value")
}

/// The command of a usage line: its words up to the first argument.
fn command_of(usage: &str) -> String {
    let words = usage.split_whitespace();
    let is_name = |word: &&str| word.starts_with(|c: char| c.is_ascii_alphabetic());
    words.take_while(is_name).collect::<Vec<_>>().join(" ")
}

/// A paragraph's lines, of which those after a colon are a list.
fn in_one_line(part: &str) -> String {
    let lines = part.lines().map(str::trim).filter(|line| !line.is_empty());
    let mut out = String::new();
    for line in lines {
        let line = line.strip_prefix("error: ").unwrap_or(line);
        let between = match out.chars().last() {
            None => "",
            Some(':') => " ",
            Some(_) => ", ",
        };
        out.push_str(between);
        out.push_str(line);
    }
    out
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    fn of(arguments: &str) -> Option<String> {
        let words = std::iter::once("slipwright").chain(arguments.split_whitespace());
        let first = arguments.split_whitespace().next();
        line(&Cli::try_parse_from(words).err()?, first)
    }

    #[test]
    fn what_was_typed_wrong_is_one_line_that_says_where_to_look() {
        for (arguments, expected) in [
            (
                "measure",
                "the following required arguments were not provided: --vehicle <FILE>, <CAPTURE>...; see slipwright measure --help",
            ),
            (
                "measure --nope x",
                "unexpected argument '--nope' found; see slipwright measure --help",
            ),
            (
                "compare --before",
                "a value is required for '--before <CAPTURE>...' but none was supplied; see slipwright compare --help",
            ),
            (
                "frobnicate",
                "unrecognized subcommand 'frobnicate'; see slipwright --help",
            ),
        ] {
            assert_eq!(of(arguments).as_deref(), Some(expected), "{arguments}");
        }
    }

    #[test]
    fn help_is_no_error() {
        for arguments in ["", "--help", "measure --help", "--version", "book"] {
            assert_eq!(of(arguments), None, "{arguments}");
        }
    }
}
