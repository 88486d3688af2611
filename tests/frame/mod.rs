//! The bridge protocol's bytes.

mod any;
mod codec;
mod damage;
mod pattern;
mod session;
mod vectors;
