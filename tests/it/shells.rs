//! Completions and the manual page, read by the programs that they are made for. A reader that is not
//! installed is named and left out, unless `BATTERHEAD_REQUIRE_ALL` is set.

use std::io::Write as _;
use std::process::{Command, Stdio};

use crate::support::{Place, needed};

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
    let missing = format!("{program} is not installed");
    let Some(mut child) = needed(started.ok(), &missing) else {
        println!("{missing}: nothing was checked with it");
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

/// A script for PowerShell without its literals: in single quotes nothing but a quote has a meaning, and two
/// of them are one. Source: Microsoft, "about_Quoting_Rules", from memory.
fn without_literals(script: &str) -> String {
    let parts: Vec<_> = script.split('\'').collect();
    assert!(parts.len() % 2 == 1, "a literal does not end");
    assert!(
        parts
            .iter()
            .skip(1)
            .step_by(2)
            .all(|literal| !literal.contains('\n'))
    );
    parts.into_iter().step_by(2).collect()
}

/// The names that may follow `place`.
fn named<'a>(script: &'a str, place: &str) -> Vec<&'a str> {
    let line = format!("'{place}' = @(");
    let line = (script.lines()).find_map(|l| l.trim_start().strip_prefix(&line));
    let line = line.unwrap_or_else(|| panic!("no names for {place}"));
    let line = line.strip_suffix(')').expect("a list");
    line.split(", ")
        .map(|name| name.trim_matches('\''))
        .collect()
}

#[test]
fn powershell_finds_presets_and_mics_in_a_script_without_a_loose_end() {
    let script = printed(&["completions", "powershell"]);
    assert!(script.is_ascii());
    let script: String = (script.lines())
        .filter(|line| !line.trim_start().starts_with('#'))
        .map(|line| format!("{line}\n"))
        .collect();
    let code = without_literals(&script);
    let mut open = Vec::new();
    for letter in code.chars() {
        match letter {
            '(' | '[' | '{' => open.push(letter),
            ')' => assert_eq!(open.pop(), Some('(')),
            ']' => assert_eq!(open.pop(), Some('[')),
            '}' => assert_eq!(open.pop(), Some('{')),
            _ => {}
        }
    }
    assert!(open.is_empty(), "{open:?}");
    // A table with the same word twice is refused, whatever its case.
    let mut table = std::collections::BTreeSet::new();
    for line in script.lines().map(str::trim_start) {
        if line.ends_with("@{") {
            table.clear();
        } else if let (true, Some((word, _))) = (line.starts_with('\''), line.split_once("' = '")) {
            assert!(table.insert(word.to_lowercase()), "{line}");
        }
    }
    for (place, name) in [
        ("batterhead prep --only", "snare-side"),
        ("batterhead prep --preset", "level-only"),
        ("batterhead apply", "trashy-room"),
        ("batterhead preset show", "unknown-mic"),
        ("batterhead preset curve", "snare-top"),
        ("batterhead completions", "zsh"),
    ] {
        assert!(named(&script, place).contains(&name), "{place} {name}");
    }
    let help = printed(&["--help"]);
    let commands = help.split("Commands:").nth(1).expect("a list of commands");
    let commands = commands.lines().skip(1).take_while(|line| !line.is_empty());
    for command in commands.filter_map(|line| line.split_whitespace().next()) {
        assert!(
            script.contains(&format!("'batterhead {command}' = [ordered]@{{")),
            "{command}"
        );
    }
}
