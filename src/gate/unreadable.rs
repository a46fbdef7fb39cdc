//! The frame could not be read.

use super::{Check, LEAVE_OUT};

pub const CHECK: Check = Check {
    code: "unreadable",
    title: "The frame could not be read",
    what: "The file is missing or damaged, or holds no image that can be measured. The message beside it says which.",
    why: "What cannot be measured cannot be vouched for.",
    formula: "none",
    unit: "none",
    source: "FITS standard 4.0 (2018), for what a whole file is",
    remedy: "Mend or remove the file; where the image stands in an extension, name it by `header.image`.",
    severities: LEAVE_OUT,
};
