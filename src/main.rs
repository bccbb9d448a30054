//! The `batterhead` program: see `batterhead --help`.

fn main() -> std::process::ExitCode {
    batterhead::cli::run()
}
