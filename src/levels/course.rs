//! A time course of bounded length: when it is full, neighbours are merged.

/// Mean squares over equal steps of time.
#[derive(Debug, Clone)]
pub struct Course {
    points: Vec<f64>,
    most: usize,
    hops: u64,
    sum: f64,
    summed: u64,
}

impl Course {
    /// An empty course of at most `most` points, an even number; one point per hop.
    pub fn holding(most: usize) -> Self {
        Self {
            points: Vec::new(),
            most,
            hops: 1,
            sum: 0.0,
            summed: 0,
        }
    }

    /// Takes in the mean square of one hop.
    pub fn push(&mut self, mean_square: f64) {
        self.sum += mean_square;
        self.summed += 1;
        if self.summed == self.hops {
            self.points.push(self.sum / self.hops as f64);
            (self.sum, self.summed) = (0.0, 0);
        }
        if self.points.len() == self.most {
            for i in 0..self.most / 2 {
                self.points[i] = 0.5 * (self.points[2 * i] + self.points[2 * i + 1]);
            }
            self.points.truncate(self.most / 2);
            self.hops *= 2;
        }
    }

    /// Hops per point.
    pub fn hops_per_point(&self) -> u64 {
        self.hops
    }

    /// The whole points.
    pub fn points(&self) -> &[f64] {
        &self.points
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MOST: usize = 4096;

    #[test]
    fn merging_keeps_the_mean() {
        let mut course = Course::holding(MOST);
        for hop in 0..3 * MOST {
            course.push(hop as f64);
        }
        assert_eq!(course.hops_per_point(), 4);
        let mean = course.points().iter().sum::<f64>() / course.points().len() as f64;
        assert_eq!(mean, (3 * MOST - 1) as f64 / 2.0);
    }
}
