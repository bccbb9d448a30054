//! Completions and the manual page, read by the programs that they are made for. A reader that is not
//! installed is named and left out, unless `BATTERHEAD_REQUIRE_ALL` is set.

use std::io::Write as _;
use std::process::{Command, Stdio};

use crate::support::Place;

/// What `program ARGS < input` prints; `None` where it is not installed.
fn read_by(program: &str, args: &[&str], input: &str) -> Option<String> {
    let started = Command::new(program)
        .args(args)
        .env("MANWIDTH", "80")
        .env("LC_ALL", "C.UTF-8")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    let Ok(mut child) = started else {
        assert!(
            std::env::var_os("BATTERHEAD_REQUIRE_ALL").is_none(),
            "{program} is not installed"
        );
        println!("{program} is not installed: nothing was checked with it");
        return None;
    };
    let mut stdin = child.stdin.take().expect("a pipe");
    stdin.write_all(input.as_bytes()).expect("it reads");
    drop(stdin);
    let ended = child.wait_with_output().expect("it ends");
    let complaint = String::from_utf8_lossy(&ended.stderr);
    assert!(ended.status.success(), "{program}: {complaint}");
    assert!(complaint.is_empty(), "{program}: {complaint}");
    Some(String::from_utf8(ended.stdout).expect("UTF-8"))
}

fn printed(args: &[&str]) -> String {
    let ran = Place::new().run(args);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    ran.stdout
}

#[test]
fn bash_completes_commands_presets_and_mics() {
    let script = printed(&["completions", "bash"]);
    let ask = r#"
ask() {
    COMP_WORDS=("$@") COMP_CWORD=$(($# - 1)) COMPREPLY=()
    _batterhead "$1" "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD - 1]}"
    echo "${COMPREPLY[*]}"
}
ask batterhead pre
ask batterhead apply trashy
ask batterhead prep takes --only snare-s
ask batterhead preset show unknown
ask batterhead wat
"#;
    let Some(said) = read_by("bash", &["--norc", "-s"], &(script + ask)) else {
        return;
    };
    let want = [
        "prep preset",
        "trashy-room",
        "snare-side",
        "unknown-mic",
        "watch",
    ];
    assert_eq!(said.lines().collect::<Vec<_>>(), want);
}

#[test]
fn fish_completes_commands_presets_and_mics() {
    let script = printed(&["completions", "fish"]);
    let ask = r#"
for line in "pre" "apply trashy" "prep takes --only snare-s" "preset show unknown"
    complete -C "batterhead $line" | string split \t -f 1 | string join " "
end
true
"#;
    let Some(said) = read_by("fish", &["--no-config"], &(script + ask)) else {
        return;
    };
    let want = ["prep preset", "trashy-room", "snare-side", "unknown-mic"];
    assert_eq!(said.lines().collect::<Vec<_>>(), want);
}

#[test]
fn zsh_takes_its_script_and_finds_names_in_it() {
    let script = printed(&["completions", "zsh"]);
    read_by("zsh", &["-f", "-n", "-s"], &script);
    for name in ["trashy-room", "snare-side", "unknown-mic", "completions"] {
        assert!(script.contains(name), "{name}");
    }
}

#[test]
fn the_manual_page_has_every_command_and_option_and_no_fault() {
    let page = printed(&["man"]);
    let Some(text) = read_by("man", &["--warnings", "-P", "cat", "-l", "-"], &page) else {
        return;
    };
    let text: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let help = printed(&["--help"]);
    let commands = help.split("Commands:").nth(1).expect("a list of commands");
    let commands = commands.lines().skip(1).take_while(|line| !line.is_empty());
    for command in commands.filter_map(|line| line.split_whitespace().next()) {
        if command != "help" {
            assert!(text.contains(&format!("batterhead {command}")), "{command}");
        }
    }
    for part in [
        "--out OUT",
        "130, 143",
        "scan TAKES --init",
        "snare-top,overhead",
    ] {
        assert!(text.contains(part), "{part}:\n{text}");
    }
}

#[test]
fn a_shell_that_is_not_known_is_refused_with_those_that_are() {
    let ran = Place::new().run(&["completions", "csh"]);
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("powershell"), "{}", ran.stderr);
}
