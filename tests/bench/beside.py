"""Times general-purpose statistics libraries on the data that the benchmark of the estimators wrote.

    python3 beside.py FOLDER

needs numpy, lifelines, scikit-survival and statsmodels. Reading the columns is not timed. A task that a library lacks, or
that would take minutes, is left out and said so.
"""

import sys
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np

folder = Path(sys.argv[1])


def column(name, what, kind):
    return np.fromfile(folder / f"{name}-{what}.bin", dtype=kind)


def timed(label, work):
    start = time.perf_counter()
    try:
        work()
    except Exception as error:  # a library that can't do it is worth a line, not a stop
        print(f"{label:<77} failed: {error}")
        return
    print(f"{label:<77} {time.perf_counter() - start:>9.3f}", flush=True)


def main():
    for package in ["numpy", "lifelines", "scikit-survival", "statsmodels"]:
        print(package, version(package))
    day = column("large", "day", "<i4").astype(float)
    failed = column("large", "cause", "u1") == 1
    group = column("large", "group", "u1")

    from sksurv.nonparametric import kaplan_meier_estimator
    timed(f"scikit-survival: Kaplan-Meier with intervals, three groups, {len(day)} records",
          lambda: [kaplan_meier_estimator(failed[group == g], day[group == g], conf_type="log-log") for g in range(3)])

    from lifelines import KaplanMeierFitter
    from lifelines.statistics import multivariate_logrank_test
    timed(f"lifelines: Kaplan-Meier with intervals, three groups, {len(day)} records",
          lambda: [KaplanMeierFitter().fit(day[group == g], failed[group == g]) for g in range(3)])
    timed(f"lifelines: log-rank test, three groups, {len(day)} records", lambda: multivariate_logrank_test(day, group, failed))

    from statsmodels.duration.survfunc import survdiff
    timed(f"statsmodels: log-rank test, three groups, {len(day)} records", lambda: survdiff(day, failed.astype(int), group))

    day = column("causes", "day", "<i4").astype(float)
    cause = column("causes", "cause", "u1")
    from sksurv.nonparametric import cumulative_incidence_competing_risks
    timed(f"scikit-survival: cumulative incidence with variance, {len(day)} records",
          lambda: cumulative_incidence_competing_risks(cause.astype(int), day, conf_type="log-log"))

    import pandas as pd
    from lifelines import CoxPHFitter
    day = column("cox", "day", "<i4").astype(float)
    failed = column("cox", "cause", "u1") == 1
    frame = pd.DataFrame({f"x{i}": column("cox", f"x{i}", "<f8") for i in range(1, 7)})
    frame["day"], frame["failed"] = day, failed
    timed(f"lifelines: Cox regression (Efron), six covariates, {len(day)} records",
          lambda: CoxPHFitter().fit(frame, "day", "failed"))
    from sksurv.linear_model import CoxPHSurvivalAnalysis
    outcome = np.array(list(zip(failed, day)), dtype=[("failed", bool), ("day", float)])
    timed(f"scikit-survival: Cox regression (Efron), six covariates, {len(day)} records",
          lambda: CoxPHSurvivalAnalysis(ties="efron").fit(frame.drop(columns=["day", "failed"]).to_numpy(), outcome))


main()
