//! What combining adds to the PSF.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "registration",
    title: "Laying the exposures on one another smears the combined PSF",
    what: "The scatter of the matched stars' positions after a linear map of each exposure onto their mean places, noise of the centroids removed, by exposure and zone of the detector; and the variance of the resampling kernel, where combine.resampling_kernel_pix2 states it. A remark: it leaves the decision as it is.",
    why: "The combined PSF has the exposures' mean moments and the scatter of their offsets on top: 0.034 pixel rms per axis adds 1e-3 to T of a PSF of sigma 1 pixel. A PSF model from the exposures lacks it, and shear is biased as by any size that is wrong.",
    formula: "dT/T = (xx + yy)/T + 2 kernel/T, xx = mean of dx dx less the noise; spoken of above a quarter of the limit on size",
    unit: "fraction of T; tensors in pixel2",
    source: "Derived: second moments of a sum of shifted images. The share of a quarter: our choice. Noise of a centroid sqrt(2) s/snr: derived for a Gaussian star on white noise",
    remedy: "Measure the PSF on the combined image; or register better (a distortion model, the stars themselves), and resample with a narrower kernel. What is seen here is the stars' own registration: by world coordinates that do not use these stars it is larger.",
    severities: REMARK_OR_UNDECIDED,
};
