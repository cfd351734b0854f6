# Reference values for Cox regression, written to cox.json beside this file.
#
#     Rscript make_cox.R > cox.json
#
# needs R with the package survival; no other package. Data are drawn by a fixed seed and written along with the values.

suppressMessages(library(survival))
options(digits = 17)

number <- function(x) {
  if (length(x) == 0) return("[]")
  text <- ifelse(is.na(x), "null", ifelse(x == round(x) & abs(x) < 1e9, format(x, trim = TRUE, scientific = FALSE, digits = 12),
                                          formatC(x, digits = 17, format = "g")))
  if (length(x) == 1) text else paste0("[", paste(text, collapse = ", "), "]")
}
vec <- function(x) { t <- number(as.numeric(x)); if (length(x) == 1) paste0("[", t, "]") else t }
object <- function(...) {
  parts <- list(...)
  paste0("{", paste(sprintf("\"%s\": %s", names(parts), unlist(parts)), collapse = ",\n "), "}")
}

set.seed(20261125)
n <- 70
d <- data.frame(
  stratum = sample(0:2, n, TRUE), cluster = sample(0:24, n, TRUE), x = round(rnorm(n), 2), f = sample(0:2, n, TRUE),
  weight = sample(1:3, n, TRUE) / 2, entry = ifelse(runif(n) < 0.4, sample(1:8, n, TRUE), 0))
u <- rexp(n, 0.06 * exp(0.5 * d$x + 0.4 * (d$f == 1) - 0.3 * (d$f == 2)))
censor <- sample(6:40, n, TRUE)
d$exit <- pmin(ceiling(d$entry + u), d$entry + censor)
d$failed <- as.integer(d$entry + u <= d$entry + censor)
d$f1 <- as.integer(d$f == 1); d$f2 <- as.integer(d$f == 2)

fit_of <- function(late, strata, weights, ties, clustered) {
  d$w <- if (weights) d$weight else 1
  d$start <- if (late) d$entry else 0
  d$s <- d$stratum
  f <- if (late) Surv(start, exit, failed) ~ x + f1 + f2 else Surv(exit, failed) ~ x + f1 + f2
  if (strata) f <- update(f, . ~ . + strata(s))
  control <- coxph.control(eps = 1e-12, toler.chol = 1e-13, iter.max = 50)
  environment(f) <- environment()
  if (ties == "exact") coxph(f, data = d, ties = ties, control = control)
  else if (clustered) coxph(f, data = d, weights = w, ties = ties, control = control, cluster = cluster, x = TRUE, model = TRUE)
  else coxph(f, data = d, weights = w, ties = ties, control = control, robust = FALSE, x = TRUE, model = TRUE)
}

cases <- c()
for (late in c(FALSE, TRUE)) for (strata in c(FALSE, TRUE)) for (weights in c(FALSE, TRUE)) for (ties in c("efron", "breslow", "exact")) {
  if (ties == "exact" && (weights || late)) next
  plain <- fit_of(late, strata, weights, ties, FALSE)
  parts <- list(late = tolower(late), strata = tolower(strata), weights = tolower(weights), ties = sprintf("\"%s\"", ties),
    coefficient = vec(coef(plain)), covariance = vec(plain$var), ln_likelihood = vec(plain$loglik),
    score = number(plain$score), wald = number(as.numeric(plain$wald.test)))
  if (ties != "exact") {
    robust <- fit_of(late, strata, weights, ties, TRUE)
    parts <- c(parts, list(robust_covariance = vec(robust$var), robust_wald = number(as.numeric(robust$wald.test)),
      robust_score = number(as.numeric(robust$rscore)),
      martingale = vec(residuals(plain, "martingale")), score_residuals = vec(t(residuals(plain, "score"))), cluster_dfbeta = vec(t(residuals(robust, "dfbeta", collapse = d$cluster, weighted = TRUE))),
      scaled_schoenfeld = vec(t(residuals(plain, "scaledsch")))))
    w <- if (weights) d$weight else rep(1, n)
    start <- if (late) d$entry else rep(0, n)
    # Mean ranks among failures, and one minus the survival just before, both with case weights.
    among_failed <- function(t) sapply(t, function(u)
      sum((w * d$failed)[d$exit < u]) + 0.5 * sum((w * d$failed)[d$exit == u]))
    failed_before <- function(t) sapply(t, function(u) {
      s <- 1
      for (v in sort(unique(d$exit[d$failed == 1 & d$exit < u])))
        s <- s * (1 - sum(w[d$exit == v & d$failed == 1]) / sum(w[d$exit >= v & (start < v)]))
      1 - s
    })
    for (g in c("identity", "log", "rank", "km")) {
      scale <- switch(g, rank = among_failed, km = failed_before, g)
      z <- cox.zph(plain, transform = scale, terms = FALSE)$table
      parts[[paste0("proportionality_", g)]] <- vec(t(z[, 1:2]))
    }
    k <- concordance(robust)
    parts <- c(parts, list(concordance = number(as.numeric(k$concordance)), concordance_variance = number(as.numeric(k$var)),
      concordance_counts = vec(k$count[if (is.matrix(k$count)) TRUE else 1:5]),
      concordance_plain_variance = number(as.numeric(concordance(plain)$var))))
    new <- data.frame(x = 0.3, f1 = 1, f2 = 0, s = 1)
    s <- survfit(plain, newdata = new, se.fit = TRUE)
    parts <- c(parts, list(predicted_time = vec(s$time), predicted_survival = vec(s$surv), predicted_ln_error = vec(s$std.err)))
    b <- basehaz(plain, centered = FALSE)
    parts <- c(parts, list(baseline = vec(b$hazard), baseline_time = vec(b$time)))
  }
  cases <- c(cases, do.call(object, parts))
}
data <- object(entry = vec(d$entry), exit = vec(d$exit), failed = vec(d$failed), x = vec(d$x), f = vec(d$f),
  stratum = vec(d$stratum), cluster = vec(d$cluster), weight = vec(d$weight))
z <- cox.zph(coxph(Surv(exit, failed) ~ x + factor(f), data = d, control = coxph.control(eps = 1e-14)), transform = "identity")$table
cat(object(software = sprintf("\"R %s, survival %s\"", getRversion(), packageVersion("survival")), data = data,
  proportionality_by_term = vec(t(z[, 1:3])), cases = paste0("[", paste(cases, collapse = ",\n"), "]")), "\n")
