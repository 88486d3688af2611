//! What runs in the guest: the device side and the checks, one after another. Prints a line for each, and ends with 1 if one failed.

mod checks;
mod gadget;
mod program;
mod served;

use std::panic::catch_unwind;
use std::process::ExitCode;
use std::time::Instant;

fn main() -> ExitCode {
    let mut failed = 0;
    for (name, check) in checks::ALL {
        let begun = Instant::now();
        let good = catch_unwind(check).is_ok();
        failed += u8::from(!good);
        println!("{}  {name}  {:.1} s", if good { "passed" } else { "FAILED" }, begun.elapsed().as_secs_f64());
    }
    ExitCode::from(failed)
}
