//! The one test program: a folder a concern.

mod algorithm;
mod board;
mod cli;
mod diagnosis;
mod firmware;
mod frame;
mod gpio;
mod image;
mod job;
mod link;
mod outside;
mod plan;
mod record;
mod sim;
mod tidy;
