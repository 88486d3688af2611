//! `revive` on bricked boards: the right cause, and the board as it should be afterwards or the honest sentence.

mod bricked;
mod every_chip;
mod reviver;
mod swarm;
mod trial;
