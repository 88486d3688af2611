//! The bodies of the fuzz targets as plain code, on small mutations of true files: so they compile, and hold, in every run.

#[path = "../fuzz/src/lib.rs"]
mod bodies;

use super::mutations::{good_elf, good_hex, mutated};
use proptest::prelude::*;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn hex_and_elf_targets_hold(hex in mutated(good_hex()), elf in mutated(good_elf())) {
        bodies::hex(&hex);
        bodies::elf(&elf);
        bodies::image(&hex);
        bodies::image(&elf);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn board_and_chip_targets_hold(
        board in mutated(include_bytes!("../../boards/demo/vent.toml").to_vec()),
        chip in mutated(include_bytes!("../../boards/chips/atmega328p.toml").to_vec()),
        nonsense in prop::collection::vec(any::<u8>(), 0..200),
    ) {
        bodies::board(&board);
        bodies::chip(&chip);
        bodies::board(&nonsense);
        bodies::chip(&nonsense);
        bodies::image(&nonsense);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn record_and_bridge_targets_hold(
        changes in prop::collection::vec(any::<u8>(), 0..60),
        lies in prop::collection::vec(prop_oneof![9 => Just(0), 1 => any::<u8>()], 0..60),
    ) {
        bodies::snapshot(&changes);
        bodies::journal(&changes);
        bodies::frame(&changes);
        bodies::replies(&lies);
    }
}
