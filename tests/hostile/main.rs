//! Input that is damaged, contradictory or made to harm, and machines that fail: every case runs
//! through the binary with a limit on time and memory, or in process where there are thousands.
//! What is asked of each: an exit code of the contract, a clear error or a marked row, no panic.

mod files;
mod frames;
mod headers;
mod logs;
mod machine;
mod maker;
mod tables;
mod texts;
mod tool;
