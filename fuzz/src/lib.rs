//! What the fuzz targets share: an invented folder, and what must hold of every ride that was read.

use rideloop::bike::FileSource;
use rideloop::problem::Problem;
use rideloop::ride::{Channel, Loggers, Ride};
use std::path::Path;

/// Files by their paths, as a bike folder would hold them.
pub struct Folder<'a>(pub Vec<(&'a str, &'a [u8])>);

impl FileSource for Folder<'_> {
    fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
        Ok(self.0.iter().find(|(known, _)| *known == path).map(|(_, bytes)| bytes.to_vec()))
    }

    fn list(&self, folder: &str) -> Result<Vec<String>, Problem> {
        let inside =
            self.0.iter().filter(|(path, _)| path.strip_prefix(folder).is_some_and(|p| p.starts_with('/')));
        Ok(inside.map(|(path, _)| (*path).to_owned()).collect())
    }
}

/// The loggers of files that are known to be right.
pub fn loggers(files: &[(&str, &str)]) -> Loggers {
    let folder = Folder(files.iter().map(|(path, text)| (*path, text.as_bytes())).collect());
    Loggers::read(&folder).expect("the target's own loggers")
}

/// Reads a log; where it can be read, looks whether it keeps what a ride promises.
pub fn read_ride(path: &str, bytes: &[u8], loggers: &Loggers) {
    match Ride::read(Path::new(path), bytes, loggers) {
        Ok(ride) => keeps_its_promises(&ride),
        Err(error) => assert!(!error.to_string().is_empty() && error.hint() != Some("")),
    }
}

fn keeps_its_promises(ride: &Ride) {
    let times = ride.values(Channel::TimeS).expect("a ride has times");
    assert!(!times.is_empty());
    assert!(times.iter().all(|t| t.is_finite()), "a time is not finite");
    assert!(times.windows(2).all(|w| w[0] < w[1]), "times do not ascend");
    for (channel, name) in Channel::ALL {
        let Some(values) = ride.values(channel) else { continue };
        assert_eq!(values.len(), times.len(), "{name}");
        assert!(!values.iter().any(|v| v.is_infinite()), "{name} is infinite");
    }
    if let Some(slots) = ride.slots() {
        assert_eq!(slots.count(), times.len());
    }
    let dropped: usize = ride.reading.dropped.values().sum();
    assert_eq!(ride.reading.rows, ride.samples() + dropped, "a row is not accounted for");
    assert!(ride.sample_interval_s() >= 0.0);
    ride.remarks();
}
