//! Shell completions: commands, options, and the names of presets and mics.

use clap::CommandFactory as _;
use clap::builder::PossibleValuesParser;
use clap_complete::Shell;

use super::powershell;
use crate::preset;
use crate::session::Mic;

const NAME: &str = env!("CARGO_PKG_NAME");

/// The script that `shell` reads.
pub fn script(shell: Shell) -> Vec<u8> {
    let mut command = with_names(super::arguments::Cli::command());
    if shell == Shell::PowerShell {
        return powershell::script(command).into_bytes();
    }
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut command, NAME, &mut script);
    if shell == Shell::Fish {
        script.extend(presets_in_fish().into_bytes());
    }
    script
}

/// What the generator leaves out for this shell: names in the place of an argument without option.
fn presets_in_fish() -> String {
    let presets: Vec<&str> = preset::builtin().map(|preset| preset.name).collect();
    let places = [
        format!("__fish_{NAME}_using_subcommand apply"),
        format!(
            "__fish_{NAME}_using_subcommand preset; and __fish_seen_subcommand_from show curve"
        ),
    ];
    let line = |place| {
        format!(
            "complete -c {NAME} -n '{place}' -a '{}'\n",
            presets.join(" ")
        )
    };
    places.iter().map(line).collect()
}

/// The same commands, whose arguments know the names that can be written there. A path to a preset
/// is as good as a name, so it is only what is offered that changes.
fn with_names(command: clap::Command) -> clap::Command {
    let names = |arg: clap::Arg| match arg.get_id().as_str() {
        "preset" | "name" => {
            let presets = preset::builtin().map(|preset| preset.name);
            arg.value_parser(PossibleValuesParser::new(presets))
        }
        "only" => {
            let mics = Mic::all().map(Mic::name);
            arg.value_parser(PossibleValuesParser::new(mics))
        }
        _ => arg,
    };
    command.mut_args(names).mut_subcommands(with_names)
}
