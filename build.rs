//! Has the crate built again when a file under `boards/` comes or goes: the folder is embedded in the binary.
fn main() {
    println!("cargo::rerun-if-changed=boards");
}
