//! The rows of each group, counted once, with their curves, for all that is asked about them.

use std::cell::OnceCell;

use super::asked::{Asked, Want};
use super::data::Data;
use crate::quantity::Variance;
use crate::stats::{
    GroupSurvival, Inference, LifeTable, Observations, ProductLimit, survival_by_group, with_cluster_robust_variances,
};

/// The rows of each group with what is counted of them.
pub struct Groups {
    /// Labels.
    pub labels: Vec<String>,
    /// Observations.
    pub observations: Vec<Observations>,
    /// Life table, curve (its variance model-based), clusters; and the survival at each time asked for, where anything needs it.
    pub counted: Vec<GroupSurvival>,
    variance: Variance,
    /// The curves with variances by clusters at all their steps: the dearest part, so only where steps or quantiles are wanted.
    by_clusters: OnceCell<Vec<ProductLimit>>,
}

impl Groups {
    /// Splits the rows by group and counts them.
    pub fn of(asked: &Asked, data: &Data) -> Self {
        let observations = if data.groups.labels.len() == 1 {
            vec![data.observations.clone()]
        } else {
            data.observations.by_group(&data.grouping)
        };
        let at_times = asked.want.iter().any(|want| matches!(want, Want::Survival | Want::Rates));
        let ticks = if at_times { data.ticks(asked) } else { Vec::new() };
        let inference = Inference { variance: asked.variance, method: asked.scale, level: asked.level };
        Self {
            labels: data.groups.labels.clone(),
            observations,
            counted: survival_by_group(&data.observations, &data.grouping, &ticks, inference),
            variance: asked.variance,
            by_clusters: OnceCell::new(),
        }
    }

    /// Each group: its place, its label, its observations.
    pub fn each(&self) -> impl Iterator<Item = (usize, &String, &Observations)> {
        self.labels.iter().zip(&self.observations).enumerate().map(|(place, (label, rows))| (place, label, rows))
    }

    /// The life table of a group.
    pub fn table(&self, group: usize) -> &LifeTable {
        &self.counted[group].table
    }

    /// The curve of a group with the variance asked for at its steps.
    pub fn curve(&self, group: usize) -> &ProductLimit {
        match self.variance {
            Variance::ModelBased => &self.counted[group].curve,
            Variance::ClusterRobust => {
                let all = || {
                    let each = self.counted.iter().zip(&self.observations);
                    with_cluster_robust_variances(each.map(|(group, rows)| (group.curve.clone(), rows)).collect())
                };
                &self.by_clusters.get_or_init(all)[group]
            }
        }
    }

    /// The causes of one group's rows.
    pub fn codes(&self, data: &Data, group: usize) -> Vec<u8> {
        let of_group = data.groups.codes.iter().zip(&data.causes).filter(|(code, _)| **code as usize == group);
        of_group.map(|(_, cause)| *cause).collect()
    }
}
