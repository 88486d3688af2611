//! The bridge protocol's bytes.

mod any;
mod codec;
