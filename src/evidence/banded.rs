//! Cholesky factorisation of a symmetric positive definite band matrix.
//!
//! The normal equations of a table couple a cell only with cells near it, so
//! they are a narrow band; factors and solutions cost far less than a dense
//! matrix would, and the order of operations is fixed.

/// A symmetric band matrix, lower half, row by row.
#[derive(Debug, Clone)]
pub struct Banded {
    n: usize,
    /// Furthest distance from the diagonal that holds anything.
    width: usize,
    /// Row `i` holds columns `i − width ..= i`.
    rows: Vec<f64>,
}

/// The lower triangular factor of a [`Banded`].
#[derive(Debug, Clone)]
pub struct Factor(Banded);

impl Banded {
    /// A matrix of zeros.
    pub fn zeros(n: usize, width: usize) -> Self {
        Self { n, width, rows: vec![0.0; n * (width + 1)] }
    }

    fn index(&self, i: usize, j: usize) -> usize {
        i * (self.width + 1) + (j + self.width - i)
    }

    fn get(&self, i: usize, j: usize) -> f64 {
        self.rows[self.index(i, j)]
    }

    /// Adds to the element at (i, j) and (j, i); they are one.
    pub fn add(&mut self, i: usize, j: usize, value: f64) {
        let (i, j) = if i >= j { (i, j) } else { (j, i) };
        let index = self.index(i, j);
        self.rows[index] += value;
    }

    /// Multiplies with a vector.
    pub fn times(&self, x: &[f64]) -> Vec<f64> {
        let mut y = vec![0.0; self.n];
        for i in 0..self.n {
            for j in i.saturating_sub(self.width)..=i {
                let a = self.get(i, j);
                y[i] += a * x[j];
                if i != j {
                    y[j] += a * x[i];
                }
            }
        }
        y
    }

    /// The Cholesky factor; `None` when the matrix is not positive definite.
    ///
    /// # Source
    /// Golub and Van Loan, Matrix Computations, band Cholesky; checked against
    /// scipy in `tests/reference`.
    pub fn factor(mut self) -> Option<Factor> {
        // Column by column: each is divided by its root and taken off what lies to
        // its right, row by row, where neighbours in memory follow each other.
        let mut column = vec![0.0; self.width];
        for k in 0..self.n {
            let diagonal = self.get(k, k);
            if !(diagonal > 0.0 && diagonal.is_finite()) {
                return None;
            }
            let root = diagonal.sqrt();
            let at = self.index(k, k);
            self.rows[at] = root;
            let below = k + 1..(k + self.width + 1).min(self.n);
            for (c, i) in column.iter_mut().zip(below.clone()) {
                let at = self.index(i, k);
                self.rows[at] /= root;
                *c = self.rows[at];
            }
            for i in below {
                let (factor, at) = (column[i - k - 1], self.index(i, k));
                let row = &mut self.rows[at + 1..=at + i - k];
                for (element, c) in row.iter_mut().zip(&column) {
                    *element -= factor * c;
                }
            }
        }
        Some(Factor(self))
    }
}

impl Factor {
    /// Solves for one right-hand side.
    pub fn solve(&self, b: &[f64]) -> Vec<f64> {
        let b: Vec<[f64; 1]> = b.iter().map(|b| [*b]).collect();
        self.solve_together(b).into_iter().map(|[x]| x).collect()
    }

    /// Solves for several right-hand sides, each row holding theirs side by side.
    pub fn solve_together<const K: usize>(&self, b: Vec<[f64; K]>) -> Vec<[f64; K]> {
        let l = &self.0;
        let mut x = b;
        let less = |x: &mut [f64; K], by: f64, known: &[f64; K]| {
            for (x, known) in x.iter_mut().zip(known) {
                *x -= by * known;
            }
        };
        for i in 0..l.n {
            let mut sought = x[i];
            let first = i.saturating_sub(l.width);
            let row = &l.rows[l.index(i, first)..=l.index(i, i)];
            for (by, known) in row.iter().zip(&x[first..i]) {
                less(&mut sought, *by, known);
            }
            x[i] = sought.map(|x| x / row[i - first]);
        }
        for i in (0..l.n).rev() {
            let mut sought = x[i];
            let last = (i + l.width + 1).min(l.n);
            for (j, known) in (i + 1..last).zip(&x[i + 1..last]) {
                less(&mut sought, l.get(j, i), known);
            }
            x[i] = sought.map(|x| x / l.get(i, i));
        }
        x
    }

    /// The diagonal of the inverse.
    pub fn inverse_diagonal(&self) -> Vec<f64> {
        let l = &self.0;
        // Column j of L⁻¹ starts at j; the inverse's diagonal sums its squares.
        let mut diagonal = vec![0.0; l.n];
        let mut column = vec![0.0; l.n];
        for (j, sum_of_squares) in diagonal.iter_mut().enumerate() {
            for i in j..l.n {
                let first = j.max(i.saturating_sub(l.width));
                let known: f64 = (first..i).map(|k| l.get(i, k) * column[k]).sum();
                let unit = if i == j { 1.0 } else { 0.0 };
                column[i] = (unit - known) / l.get(i, i);
                *sum_of_squares += column[i] * column[i];
            }
        }
        diagonal
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn solves_what_it_multiplies(
            entries in prop::collection::vec(-1.0..1.0f64, 60),
            x in prop::collection::vec(-5.0..5.0f64, 12),
        ) {
            let (n, width) = (12, 4);
            let mut matrix = Banded::zeros(n, width);
            for i in 0..n {
                for j in i.saturating_sub(width)..i {
                    matrix.add(i, j, entries[i * 5 + (i - j)]);
                }
                // Diagonally dominant, so positive definite.
                matrix.add(i, i, 10.0);
            }
            let b = matrix.times(&x);
            let factor = matrix.clone().factor().expect("positive definite");
            for (a, b) in factor.solve(&b).iter().zip(&x) {
                prop_assert!((a - b).abs() < 1e-10);
            }
            for (j, d) in factor.inverse_diagonal().iter().enumerate() {
                let mut unit = vec![0.0; n];
                unit[j] = 1.0;
                prop_assert!((factor.solve(&unit)[j] - d).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn refuses_what_is_not_positive_definite() {
        let mut matrix = Banded::zeros(2, 1);
        matrix.add(0, 0, 1.0);
        matrix.add(1, 1, 1.0);
        matrix.add(0, 1, 2.0);
        assert!(matrix.factor().is_none());
    }
}
