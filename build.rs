//! Has the crate built again when a file under `boards/` or a bridge's firmware image comes or goes: they are embedded in the binary.
fn main() {
    println!("cargo::rerun-if-changed=boards");
    println!("cargo::rerun-if-changed=hardware-notes/bridge/images");
}
