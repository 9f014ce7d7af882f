//! What depends on the terminal: colour, and how wide a line may be. Nothing but colour and line
//! ends depends on it, so that what is piped is always the same.

use std::io::IsTerminal;

use anstream::ColorChoice;
use clap::ValueEnum;
use terminal_size::{Width, terminal_size_of};

/// Narrower terminals are written to as if they were this wide.
const NARROWEST: usize = 40;

/// When colour is used.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, ValueEnum)]
pub(super) enum Colour {
    /// On a terminal, unless NO_COLOR or CLICOLOR=0 says otherwise; CLICOLOR_FORCE wherever
    #[default]
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

impl Colour {
    /// The colour that the arguments ask for, before they are parsed: faults of the arguments
    /// themselves are told in it. The last one counts; what is no word of it is left to the parser.
    pub(super) fn asked(arguments: impl Iterator<Item = std::ffi::OsString>) -> Self {
        let mut colour = Self::default();
        let mut named = false;
        for argument in arguments {
            let text = argument.to_string_lossy();
            let word = if named { Some(text.as_ref()) } else { text.strip_prefix("--color=") };
            if let Some(asked) = word.and_then(|word| Self::from_str(word, false).ok()) {
                colour = asked;
            }
            named = text == "--color";
        }
        colour
    }

    /// For the streams of messages.
    pub(super) fn of_messages(self) -> ColorChoice {
        match self {
            Colour::Auto => ColorChoice::Auto,
            Colour::Always => ColorChoice::Always,
            Colour::Never => ColorChoice::Never,
        }
    }

    /// For the help and the faults of the arguments.
    pub(super) fn of_help(self) -> clap::ColorChoice {
        match self {
            Colour::Auto => clap::ColorChoice::Auto,
            Colour::Always => clap::ColorChoice::Always,
            Colour::Never => clap::ColorChoice::Never,
        }
    }
}

/// Columns of the terminal that a stream goes to; nothing where it goes to none.
pub(super) fn width_of(stream: &(impl IsTerminal + Handle)) -> Option<usize> {
    let (Width(columns), _) = stream.is_terminal().then(|| stream.size())??;
    Some(usize::from(columns).max(NARROWEST))
}

/// A stream whose terminal can be asked for its size.
pub(super) trait Handle {
    /// Its size.
    fn size(&self) -> Option<(Width, terminal_size::Height)>;
}

impl Handle for std::io::Stdout {
    fn size(&self) -> Option<(Width, terminal_size::Height)> {
        terminal_size_of(self)
    }
}

impl Handle for std::io::Stderr {
    fn size(&self) -> Option<(Width, terminal_size::Height)> {
        terminal_size_of(self)
    }
}

/// A line broken at blanks so that no piece is wider than the terminal; further pieces are set
/// in as far as the line itself and two columns more. Words that are wider stay whole.
pub(super) fn broken(line: &str, width: Option<usize>) -> Vec<String> {
    let Some(width) = width else { return vec![line.to_string()] };
    let wide = |text: &str| text.chars().count();
    if wide(line) <= width {
        return vec![line.to_string()];
    }
    let indent: String = line.chars().take_while(|c| *c == ' ').collect();
    let hanging = format!("{indent}  ");
    let mut pieces = vec![indent];
    for word in line.split_whitespace() {
        let last = pieces.last_mut();
        match last {
            Some(piece) if piece.trim().is_empty() => piece.push_str(word),
            Some(piece) if wide(piece) + 1 + wide(word) <= width => {
                piece.push(' ');
                piece.push_str(word);
            }
            _ => pieces.push(format!("{hanging}{word}")),
        }
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_fit_and_lose_no_word() {
        let line = "  12 sites of at most 20 along 61.2 km of track, score 8.11 of at most 8.20 km²/h";
        for width in 40..100 {
            let pieces = broken(line, Some(width));
            assert!(pieces.iter().all(|p| p.chars().count() <= width), "{width}: {pieces:?}");
            let words: Vec<&str> = pieces.iter().flat_map(|p| p.split_whitespace()).collect();
            assert_eq!(words, line.split_whitespace().collect::<Vec<_>>());
            assert!(pieces[0].starts_with("  12") && pieces[1..].iter().all(|p| p.starts_with("    ")));
        }
    }

    #[test]
    fn what_goes_to_no_terminal_is_left_alone() {
        let line = "word  and   word ".repeat(30);
        assert_eq!(broken(&line, None), vec![line]);
    }

    #[test]
    fn a_word_wider_than_the_terminal_stays_whole() {
        let path = "a/very/long/path/".repeat(6);
        let pieces = broken(&format!("wrote 3 files to {path} and more"), Some(40));
        assert!(pieces.iter().any(|p| p.trim() == path), "{pieces:?}");
    }

    #[test]
    fn colour_is_known_before_the_arguments_are() {
        let asked = |words: &[&str]| Colour::asked(words.iter().map(|w| (*w).into()));
        assert_eq!(asked(&["nodes"]), Colour::Auto);
        assert_eq!(asked(&["--color", "never", "nodes"]), Colour::Never);
        assert_eq!(asked(&["--color=always", "nodes", "--color=never"]), Colour::Never);
        assert_eq!(asked(&["--color", "mauve"]), Colour::Auto);
    }
}
