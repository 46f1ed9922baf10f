//! A time course of bounded length: when it is full, neighbours are merged.

/// Points kept at most.
const CAPACITY: usize = 4096;

/// Mean squares over equal steps of time.
#[derive(Debug, Clone)]
pub struct Course {
    points: Vec<f64>,
    hops: u64,
    sum: f64,
    summed: u64,
}

impl Course {
    /// An empty course, one point per hop.
    pub fn new() -> Self {
        Self {
            points: Vec::new(),
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
        if self.points.len() == CAPACITY {
            for i in 0..CAPACITY / 2 {
                self.points[i] = 0.5 * (self.points[2 * i] + self.points[2 * i + 1]);
            }
            self.points.truncate(CAPACITY / 2);
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

impl Default for Course {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn merging_keeps_the_mean() {
        let mut course = Course::new();
        for hop in 0..3 * CAPACITY {
            course.push(hop as f64);
        }
        assert_eq!(course.hops_per_point(), 4);
        let mean = course.points().iter().sum::<f64>() / course.points().len() as f64;
        assert_eq!(mean, (3 * CAPACITY - 1) as f64 / 2.0);
    }
}
