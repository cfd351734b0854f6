# Times general-purpose statistics libraries on the data that the benchmark of the estimators wrote.
#
#     Rscript beside.R FOLDER
#
# needs survival and cmprsk. Reading the columns is not timed.
library(survival)
folder <- commandArgs(trailingOnly = TRUE)[1]
cat("survival", as.character(packageVersion("survival")), "\n")
column <- function(name, what, mode, size) {
  path <- file.path(folder, paste0(name, "-", what, ".bin"))
  readBin(path, mode, n = file.size(path) / size, size = size, signed = size > 1, endian = "little")
}
timed <- function(label, work, records = length(day)) {
  gc(FALSE)
  took <- system.time(work())[["elapsed"]]
  cat(sprintf("%-66s %10d %9.3f\n", label, records, took))
}
day <- column("large", "day", "integer", 4)
failed <- column("large", "cause", "integer", 1) == 1
group <- factor(column("large", "group", "integer", 1))
timed("R survival: Kaplan-Meier with intervals, three groups", function() survfit(Surv(day, failed) ~ group, conf.type = "log-log"))
timed("R survival: log-rank test, three groups", function() survdiff(Surv(day, failed) ~ group))
rm(day, failed, group)
day <- column("causes", "day", "integer", 4)
cause <- column("causes", "cause", "integer", 1)
group <- factor(column("causes", "group", "integer", 1))
timed("R survival: cumulative incidence with variance, three groups",
      function() survfit(Surv(day, factor(cause)) ~ group))
if (requireNamespace("cmprsk", quietly = TRUE)) {
  timed("R cmprsk: cumulative incidence and Gray's test, three groups", function() cmprsk::cuminc(day, cause, group))
}
day <- column("cox", "day", "integer", 4)
failed <- column("cox", "cause", "integer", 1) == 1
cluster <- column("cox", "cluster", "integer", 4)
x <- sapply(1:6, function(i) column("cox", paste0("x", i), "double", 8))
timed("R survival: Cox regression (Efron), six covariates", function() coxph(Surv(day, failed) ~ x))
timed("R survival: the same with errors by cluster", function() coxph(Surv(day, failed) ~ x, cluster = cluster))
if (requireNamespace("cmprsk", quietly = TRUE)) {
  day <- column("subdistribution", "day", "integer", 4)
  cause <- column("subdistribution", "cause", "integer", 1)
  x <- sapply(1:3, function(i) column("subdistribution", paste0("x", i), "double", 8))
  few <- seq_len(min(length(day), 10000))
  timed("R cmprsk: Fine-Gray, three covariates, the first of them",
        function() cmprsk::crr(day[few], cause[few], x[few, ]), length(few))
}
