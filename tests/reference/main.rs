//! The crate against outside sources: libraries, standards, handbooks, and git itself.
//!
//! The numbers lie in the JSON files beside this one; `make_reference.py` computes them with numpy,
//! scipy, statsmodels, cantera, CoolProp and ambiance and says which source each printed value has; `real_logs.py` does
//! the same for logs of real cars with pandas. A check names its source and gives its tolerance with
//! the reason.

mod air;
mod averages;
mod bilinear;
mod compare;
mod fuels;
mod git;
mod injectors;
mod lag;
mod lambda_delay;
mod loggers_page;
mod logs;
mod mixture;
mod mixtures_page;
mod power;
mod real_logs;
mod robust;
mod steadiness;
mod sums_page;
mod surface;
mod tip_in;
mod workshop_sums;
