use std::process::ExitCode;

fn main() -> ExitCode {
    farrier::cli::main()
}
