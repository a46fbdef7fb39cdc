//! The frame could not be read.

use super::Check;

pub const CHECK: Check = Check {
    code: "unreadable",
    title: "The frame could not be read",
    what: "The file is missing, damaged, or holds no image that can be measured; the message says which.",
    why: "An exposure that cannot be measured cannot be vouched for.",
    formula: "-",
    unit: "-",
    source: "FITS standard 4.0",
    remedy: "Mend or remove the file; name the image extension by `header.image`.",
};
