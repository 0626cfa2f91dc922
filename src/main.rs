//! Hands over to the command line.

fn main() -> std::process::ExitCode {
    rideloop::cli::main()
}
