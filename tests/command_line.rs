//! What the program is as a citizen of a terminal: man pages, completions, colour, width.

mod support;

use std::fs;
use std::process::Command;

use support::{said, skipped, stakeline};

const COMMANDS: [&str; 13] = [
    "demo", "new", "inspect", "surface", "nodes", "sites", "round", "checks", "compare", "terrain", "report",
    "manual", "run",
];

#[test]
fn the_manual_has_a_page_a_command_and_completions_for_every_shell() {
    let folder = tempfile::tempdir().unwrap();
    let run = || said(stakeline().current_dir(folder.path()).args(["manual", "man", "--force"]));
    let (status, told, errors) = run();
    assert_eq!(status, 0, "{errors}");
    assert!(told.contains("man man/man1/stakeline.1"), "{told}");
    let page = |name: &str| fs::read_to_string(folder.path().join("man/man1").join(name)).unwrap();
    let main = page("stakeline.1");
    for command in COMMANDS {
        assert!(main.contains(&format!("stakeline\\-{command}(1)")), "{command} is not in stakeline.1");
        assert!(page(&format!("stakeline-{command}.1")).starts_with(".ie"), "{command}");
    }
    assert!(page("stakeline-sites.1").contains("\\-\\-spacing"));
    for (shell, mark) in [
        ("stakeline.bash", "--bandwidth"),
        ("_stakeline", "--bandwidth"),
        ("stakeline.fish", "-l bandwidth"),
        ("_stakeline.ps1", "--bandwidth"),
        ("stakeline.elv", "--bandwidth"),
    ] {
        let script = fs::read_to_string(folder.path().join("man/completions").join(shell)).unwrap();
        assert!(script.contains(mark), "{shell} does not know {mark}");
        assert!(COMMANDS.iter().all(|command| script.contains(command)), "{shell}");
    }
    let before = page("stakeline-sites.1");
    run();
    assert_eq!(page("stakeline-sites.1"), before);
}

#[test]
fn bash_completes_what_the_program_knows() {
    if Command::new("bash").arg("--version").output().is_err() {
        return skipped("there is no bash to try the completions in");
    }
    let folder = tempfile::tempdir().unwrap();
    let (status, _, errors) = said(stakeline().current_dir(folder.path()).args(["manual", "man"]));
    assert_eq!(status, 0, "{errors}");
    let complete = |words: &str| {
        let script = format!(
            "source man/completions/stakeline.bash; COMP_WORDS=({words}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); \
             _stakeline stakeline \"${{COMP_WORDS[COMP_CWORD]}}\" \"${{COMP_WORDS[COMP_CWORD-1]}}\"; echo \"${{COMPREPLY[@]}}\""
        );
        let out = Command::new("bash").current_dir(folder.path()).args(["-c", &script]).output().unwrap();
        String::from_utf8(out.stdout).unwrap()
    };
    assert_eq!(complete("stakeline terr").trim(), "terrain");
    assert!(complete("stakeline sites --sp").contains("--spacing"));
    assert!(complete("stakeline --color ''").contains("always"));
}

#[test]
fn colour_is_used_where_it_is_asked_for_and_never_in_a_pipe() {
    let folder = tempfile::tempdir().unwrap();
    let errors = |args: &[&str], set: &[(&str, &str)]| {
        let mut command = stakeline();
        command.current_dir(folder.path()).env_remove("NO_COLOR").env_remove("CLICOLOR_FORCE");
        let (status, told, errors) = said(command.envs(set.iter().copied()).args(args));
        assert_eq!(status, 1, "{told}{errors}");
        assert!(!told.contains('\x1b'), "{told:?}");
        errors
    };
    let missing = ["inspect", "no-such-plan.toml"];
    let with = |first: &[&'static str]| [first, &missing[..]].concat();
    let plain = errors(&missing, &[]);
    assert!(plain.starts_with("error: no-such-plan.toml"), "{plain:?}");
    assert!(!plain.contains('\x1b'));
    assert_eq!(errors(&with(&["--color", "never"]), &[("CLICOLOR_FORCE", "1")]), plain);
    assert_eq!(errors(&missing, &[("NO_COLOR", "1")]), plain);
    let bright = errors(&with(&["--color=always"]), &[("NO_COLOR", "1")]);
    assert!(bright.starts_with("\x1b["), "{bright:?}");
    assert!(errors(&missing, &[("CLICOLOR_FORCE", "1")]).contains('\x1b'));
    let (status, _, usage) = said(stakeline().args(["--color", "mauve", "inspect"]));
    assert_eq!(status, 2);
    assert!(usage.contains("auto, always, never"), "{usage}");
}

#[test]
fn lines_fit_the_terminal_and_are_whole_in_a_pipe() {
    let folder = tempfile::tempdir().unwrap();
    let long = "a".repeat(30);
    let missing = format!("{long} {long}.toml");
    let program = env!("CARGO_BIN_EXE_stakeline");
    let inside = format!("stty rows 30 cols 50; {program} inspect '{missing}'");
    let out = Command::new("script").current_dir(folder.path()).args(["-qec", &inside, "/dev/null"]).output();
    let Ok(out) = out else { return skipped("there is no script(1) to make a terminal with") };
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let mut lines = text.lines().map(str::trim_end);
    assert!(lines.clone().count() > 1 && text.contains("\x1b["), "{text:?}");
    assert!(
        lines.all(|line| line.replace("\x1b[1m\x1b[31m", "").replace("\x1b[0m", "").chars().count() <= 50),
        "{text:?}"
    );
    let (_, _, piped) = said(stakeline().current_dir(folder.path()).args(["inspect", &missing]));
    assert_eq!(piped.lines().count(), 1, "{piped:?}");
}
