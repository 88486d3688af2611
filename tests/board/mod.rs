//! Descriptions, the catalog, and what configurations mean.

mod catalog;
mod meaning;
mod mutations;
mod pages;
mod samples;
