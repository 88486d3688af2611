//! Descriptions, the catalog, and what configurations mean.

mod catalog;
