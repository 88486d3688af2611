//! The bridge protocol's bytes.

pub mod any;
mod codec;
mod damage;
mod pattern;
mod session;
pub mod vectors;
