//! Two axes, and which cells answer for an operating point.

use super::axis::Axis;

/// The axes of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// Engine speed, 1/min.
    pub rpm: Axis,
    /// Load, in the unit of the table's load axis.
    pub load: Axis,
}

/// The four cells around an operating point and how much each one counts.
///
/// Weights are never negative and sum to one. At an edge two corners carry no weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corners {
    /// Positions in the table's `values`.
    pub cells: [usize; 4],
    /// Bilinear weights.
    pub weights: [f64; 4],
}

/// Where an operating point lies on a grid: the square of four cells, and how far
/// into it. A ride looks up many tables at the same points; the search is done once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// The square's cell of the lowest speed and load.
    first: u32,
    /// Cells of one speed.
    columns: u32,
    /// How far towards the next speed, and the next load, 0 to 1.
    rpm_share: f64,
    load_share: f64,
}

impl Place {
    /// The square's cells, and how much each one counts.
    pub fn corners(&self) -> Corners {
        let (u, v) = (self.rpm_share, self.load_share);
        let (first, columns) = (self.first as usize, self.columns as usize);
        Corners {
            cells: [first, first + 1, first + columns, first + columns + 1],
            weights: [(1.0 - u) * (1.0 - v), (1.0 - u) * v, u * (1.0 - v), u * v],
        }
    }

    /// The cell whose breakpoints are nearest.
    pub fn nearest(&self) -> usize {
        let down = if self.rpm_share > 0.5 { self.columns as usize } else { 0 };
        self.first as usize + down + usize::from(self.load_share > 0.5)
    }
}

impl Grid {
    /// How many cells the grid has.
    pub fn cells(&self) -> usize {
        self.rpm.len() * self.load.len()
    }

    /// The position of a cell in a table's `values`.
    pub fn cell(&self, rpm_index: usize, load_index: usize) -> usize {
        rpm_index * self.load.len() + load_index
    }

    /// The axis positions of a cell.
    pub fn position(&self, cell: usize) -> (usize, usize) {
        (cell / self.load.len(), cell % self.load.len())
    }

    /// The breakpoints of a cell: rpm and load.
    pub fn point(&self, cell: usize) -> (f64, f64) {
        let (i, j) = self.position(cell);
        (self.rpm.breakpoints()[i], self.load.breakpoints()[j])
    }

    /// The four cells around an operating point, clamped at the edges.
    ///
    /// # Source
    /// Bilinear interpolation; checked against scipy's
    /// `RegularGridInterpolator` in `tests/reference`.
    pub fn corners(&self, rpm: f64, load: f64) -> Corners {
        self.place(self.rpm.locate(rpm), self.load.locate(load)).corners()
    }

    /// The places of points that follow each other, as those of a ride do.
    ///
    /// Units: pairs of 1/min and load.
    pub fn places(&self, points: impl Iterator<Item = (f64, f64)>) -> Vec<Place> {
        let (mut near_rpm, mut near_load) = (0, 0);
        let place = |(rpm, load)| {
            self.place(self.rpm.locate_near(rpm, &mut near_rpm), self.load.locate_near(load, &mut near_load))
        };
        points.map(place).collect()
    }

    fn place(&self, (i, rpm_share): (usize, f64), (j, load_share): (usize, f64)) -> Place {
        // An axis holds 64 breakpoints at most.
        Place { first: self.cell(i, j) as u32, columns: self.load.len() as u32, rpm_share, load_share }
    }

    /// The up to four cells that share an edge with a cell.
    pub fn neighbours(&self, cell: usize) -> impl Iterator<Item = usize> + '_ {
        let (i, j) = self.position(cell);
        let up = (i > 0).then(|| self.cell(i.wrapping_sub(1), j));
        let down = (i + 1 < self.rpm.len()).then(|| self.cell(i + 1, j));
        let left = (j > 0).then(|| self.cell(i, j.wrapping_sub(1)));
        let right = (j + 1 < self.load.len()).then(|| self.cell(i, j + 1));
        [up, left, right, down].into_iter().flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn axis() -> impl Strategy<Value = Axis> {
        (0.0..2000.0f64, prop::collection::vec(0.5..900.0f64, 1..12)).prop_map(|(start, steps)| {
            let mut at = start;
            let mut breakpoints = vec![at];
            for step in steps {
                at += step;
                breakpoints.push(at);
            }
            Axis::new(breakpoints).expect("ascending by construction")
        })
    }

    proptest! {
        #[test]
        fn weights_are_a_share_of_one(rpm in axis(), load in axis(), x in -1e4..2e4f64, y in -1e4..2e4f64) {
            let corners = Grid { rpm, load }.corners(x, y);
            prop_assert!(corners.weights.iter().all(|w| (0.0..=1.0).contains(w)));
            prop_assert!((corners.weights.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        }

        #[test]
        fn a_plane_is_reproduced_inside(rpm in axis(), load in axis(), s in 0.0..1.0f64, t in 0.0..1.0f64) {
            let span = |a: &Axis, share: f64| {
                let b = a.breakpoints();
                b[0] + share * (b[b.len() - 1] - b[0])
            };
            let (x, y) = (span(&rpm, s), span(&load, t));
            let grid = Grid { rpm, load };
            let plane = |x: f64, y: f64| 3.0 + 0.01 * x - 0.02 * y;
            let corners = grid.corners(x, y);
            let got: f64 = (0..4)
                .map(|k| {
                    let (px, py) = grid.point(corners.cells[k]);
                    corners.weights[k] * plane(px, py)
                })
                .sum();
            prop_assert!((got - plane(x, y)).abs() < 1e-8);
        }
    }

    proptest! {
        #[test]
        fn places_one_after_the_other_are_those_of_each_point(
            rpm in axis(),
            load in axis(),
            points in prop::collection::vec((-1e3..1e4f64, -1e3..1e4f64), 1..40),
            exact in 0usize..12,
        ) {
            let at = |axis: &Axis| axis.breakpoints()[exact % axis.len()];
            let mut points = points;
            points.extend([(at(&rpm), at(&load)), (f64::NAN, at(&load)), (at(&rpm), f64::INFINITY)]);
            let grid = Grid { rpm, load };
            for (place, (x, y)) in grid.places(points.iter().copied()).iter().zip(&points) {
                let (walked, searched) = (place.corners(), grid.corners(*x, *y));
                prop_assert_eq!(walked.cells, searched.cells);
                prop_assert_eq!(walked.weights.map(f64::to_bits), searched.weights.map(f64::to_bits));
                let nearest = grid.cell(grid.rpm.nearest(*x), grid.load.nearest(*y));
                prop_assert_eq!(place.nearest(), nearest);
            }
        }
    }

    #[test]
    fn knows_its_neighbours() {
        let grid = Grid {
            rpm: Axis::new(vec![1.0, 2.0, 3.0]).expect("valid"),
            load: Axis::new(vec![1.0, 2.0]).expect("valid"),
        };
        assert_eq!(grid.neighbours(0).collect::<Vec<_>>(), [1, 2]);
        assert_eq!(grid.neighbours(3).collect::<Vec<_>>(), [1, 2, 5]);
    }
}
