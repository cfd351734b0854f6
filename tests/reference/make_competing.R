# Reference values for competing causes of ending, written to competing.json beside this file.
#
#     Rscript make_competing.R
#
# needs R with cmprsk and survival. Data: the 35 transplant patients, 120 rows with many ties in three groups and two strata,
# and 60 rows without ties, drawn with seed 7. Incidences and Aalen's variances, Gray's test (with rho 0 and 1, stratified) and the
# regression come from cmprsk (carried on to a score of 1e-12); the multistate curve with its infinitesimal-jackknife standard errors
# from survival.

suppressMessages({library(cmprsk); library(survival)})
set.seed(7)
listed <- function(text) do.call(rbind, lapply(strsplit(strsplit(text, " ")[[1]], ":"), as.numeric))
first <- listed("13:2 1:1 72:0 7:2 8:2 9:2 5:2 1:2 22:2 0:2 0:1 35:0 4:2 14:2 26:2 3:2 12:1")
second <- listed("67:0 70:0 4:0 7:0 68:0 10:2 7:2 3:1 4:1 4:1 3:1 3:1 8:1 2:2 35:0 2:0 8:0 32:0")
both <- rbind(first, second)
transplants <- data.frame(time = both[, 1], cause = both[, 2], group = rep(0:1, c(nrow(first), nrow(second))), stratum = 0)
transplants$x <- transplants$group
transplants$cluster <- (seq_len(nrow(transplants)) - 1) %/% 2
n <- 120
tied <- data.frame(time = sample(1:12, n, TRUE), cause = sample(0:2, n, TRUE, c(.35, .4, .25)), group = sample(0:2, n, TRUE),
                   stratum = sample(0:1, n, TRUE))
tied$x <- round(rnorm(n), 2)
tied$cluster <- sample(0:29, n, TRUE)
untied <- data.frame(time = sample(1:5000, 60), cause = sample(0:2, 60, TRUE), group = sample(0:2, 60, TRUE), stratum = 0)
untied$x <- round(rnorm(60), 2)
untied$cluster <- sample(0:19, 60, TRUE)

case <- function(d) {
  horizons <- sort(unique(quantile(d$time, c(.2, .4, .6, .8, .95), type = 1)))
  names(horizons) <- NULL
  incidence <- timepoints(cuminc(d$time, d$cause, cencode = 0), horizons)
  # survival takes no time of 0: half a unit later changes no order.
  moved <- ifelse(d$time == 0, 0.5, d$time)
  state <- factor(d$cause, 0:2, c("none", "one", "two"))
  plain <- summary(survfit(Surv(moved, state) ~ 1, id = seq_len(nrow(d))), times = pmax(horizons, 0.5))
  gray <- lapply(c(0, 1), function(rho) {
    tests <- cuminc(d$time, d$cause, d$group, strata = d$stratum, rho = rho, cencode = 0)$Tests
    list(rho = rho, chi_square = tests[, 1], p_value = tests[, 2], degrees_of_freedom = tests[, 3])
  })
  regression <- lapply(1:2, function(cause) {
    columns <- list(d$x)
    if (length(unique(d$group)) > 2) columns <- c(columns, list(as.numeric(d$group == 1)))
    fit <- crr(d$time, d$cause, do.call(cbind, columns), failcode = cause, cencode = 0, gtol = 1e-12, maxiter = 50)
    at <- rep(0.5, length(columns))
    prediction <- predict(fit, at)
    value <- function(h) { before <- prediction[prediction[, 1] <= h, 2]; if (length(before)) tail(before, 1) else 0 }
    list(cause = cause, columns = columns, coefficients = fit$coef, covariance = fit$var, log_likelihood = fit$loglik,
         log_likelihood_at_zero = fit$loglik.null, inverse_information = fit$invinf,
         predicted_at = at, predicted = sapply(horizons, value))
  })
    list(time = d$time, cause = d$cause, group = d$group, stratum = d$stratum, cluster = d$cluster, horizons = horizons,
       incidence = incidence$est, aalen_variance = incidence$var,
       jackknife_error = t(plain$std.err[, 2:3]), gray = gray, regression = regression)
}
result <- list(
  made_with = paste("R", getRversion(), "cmprsk", packageVersion("cmprsk"), "survival", packageVersion("survival")),
  cases = list(transplants = case(transplants), tied = case(tied), untied = case(untied)))
json <- function(x) {
  if (is.list(x)) {
    parts <- vapply(x, json, "")
    if (is.null(names(x))) return(paste0("[", paste(parts, collapse = ", "), "]"))
    return(paste0("{", paste0('"', names(x), '": ', parts, collapse = ", "), "}"))
  }
  if (is.character(x)) return(paste0('"', x, '"'))
  if (is.matrix(x)) return(json(lapply(seq_len(nrow(x)), function(row) as.list(unname(x[row, ])))))
  if (length(x) > 1) return(json(as.list(unname(x))))
  sprintf("%.17g", x)
}
writeLines(json(result), "competing.json")
