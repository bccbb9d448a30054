//! One test binary for everything that users and other programs see, tested from outside.

mod adding_up; // what a mixer would hear of recorded drums, in figures
mod bag; // an output folder that an archive takes in
#[path = "../bed/mod.rs"]
mod bed; // sessions of recorded strokes with exact truth
mod boxy; // the cut that follows what a drum shows
mod comps; // takes that are cut together
mod delivery; // what a delivered file says of itself, where it starts and ends
mod findings; // every finding where it was planted, and nowhere else
mod fuzz; // what the fuzzer begins with and has found
mod hazards; // what costs a person an evening
mod heard; // what is found in them, where they are at hand
mod hits; // strokes, takes and track sheets
mod kept; // nothing lost, nothing overwritten
mod memory; // what a long take needs of it
mod mixes; // rough mixes, group stems, and what the session file says of them
mod names; // whole folders of names with their truth
mod page; // session.html: complete, inert, no network
mod pairs; // sides that do not match
mod performance; // generated performances of one pattern, compared
mod poly; // names inside a recorder's file
mod prep; // the whole job on folders
mod presets; // the verdict on many presets, and the exact texts of all errors
mod publish; // whole files or none, the manifest
mod recorded; // recorded drum hits, where they are at hand
mod resume; // the record of a run, and what the next one does with it
mod scan; // folders and names: what files are taken for
mod shares; // songs of one session, shared out over several runs
mod shells; // completions and the manual page
mod shootout; // two takes compared
mod shootout_recorded; // the same with recorded hits
mod stages; // every stage: data sheets, and what all of them promise
mod support; // a session in a temporary folder, the program run on it
mod unread; // sources that cannot be read this time
mod watch; // takes checked while they are recorded
mod wav; // sound files: formats, chunks, damage

#[test]
fn every_case_of_the_table_is_there() {
    let table = std::fs::read_to_string("tests/CASES.md").expect("the table");
    let cases = table.lines().filter_map(|line| {
        let cell = line.strip_prefix('|')?.split('|').nth(1)?.trim();
        cell.strip_prefix('`')?.strip_suffix('`')
    });
    let mut count = 0;
    for case in cases {
        let (module, name) = case.rsplit_once("::").expect("a module");
        let file = format!("tests/it/{}.rs", module.replace("::", "/"));
        let text = std::fs::read_to_string(&file).unwrap_or_else(|_| panic!("{case}: no {file}"));
        assert!(
            text.contains(&format!("fn {name}(")),
            "{case} is not in {file}"
        );
        count += 1;
    }
    assert!(count >= 35, "{count} cases");
}
