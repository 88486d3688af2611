//! Descriptions, the catalog, and what configurations mean.

mod catalog;
mod connections;
mod draft;
mod loader;
mod meaning;
mod mutations;
mod pages;
mod samples;
