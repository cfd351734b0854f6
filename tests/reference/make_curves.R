# Reference values for right-censored estimators with case weights, late entries and clusters.
#
#   Rscript make_curves.R        (needs R with the package survival; writes curves.json beside it)
#
# Curves, cumulative hazards and their robust variances come from survfit. Contrasts, restricted means and conditional
# survival come from its influence matrices, by their definitions. Limits of differences are put together from survfit's limits
# of both groups (Zou & Donner 2008), or the exact binomial limit where nobody has failed. The data are drawn here with a fixed
# seed.

suppressMessages(library(survival))

# JSON: named lists as objects, lists and matrices (by row) and vectors as arrays, one number alone as a number.
json <- function(x) {
  if (is.list(x) && !is.null(names(x)))
    paste0("{", paste0('"', names(x), '": ', vapply(x, json, ""), collapse = ", "), "}")
  else if (is.list(x)) paste0("[", paste(vapply(x, json, ""), collapse = ", "), "]")
  else if (is.matrix(x)) paste0("[", paste(apply(x, 1, function(row) paste0("[", paste(json_number(row), collapse = ", "), "]")), collapse = ", "), "]")
  else if (is.character(x)) paste0('"', x, '"')
  else if (length(x) == 1) json_number(x)
  else paste0("[", paste(json_number(x), collapse = ", "), "]")
}
json_number <- function(x) ifelse(is.finite(x), sub(" +", "", sprintf("%.17g", x)), "null")

draw <- function(seed, patients, longest, weighted) {
  set.seed(seed, kind = "Mersenne-Twister", normal.kind = "Inversion", sample.kind = "Rejection")
  rows <- list()
  for (patient in seq_len(patients)) {
    frailty <- rgamma(1, 1.5, 1.5)
    for (i in seq_len(sample(1:5, 1))) {
      group <- sample(0:1, 1)
      life <- 7 * ceiling(rexp(1, frailty * (0.6 + 0.4 * group) / longest) / 7)
      end <- sample(seq(longest %/% 4, longest), 1)
      entry <- if (runif(1) < 0.3) sample(1:(longest %/% 3), 1) else 0
      exit <- min(life, end)
      ending <- if (life > end) 2 else if (runif(1) < 0.15) 1 else 0
      weight <- if (weighted) round(runif(1, 0.2, 3), 2) else 1
      if (exit > entry) rows[[length(rows) + 1]] <- c(entry, exit, ending, patient - 1, group, weight)
    }
  }
  as.data.frame(setNames(as.list(as.data.frame(do.call(rbind, rows))), c("entry", "exit", "ending", "cluster", "group", "weight")))
}

# survfit puts late entries into the risk set after their entry, and those with entry 0 from the start, as here.
fit <- function(d, robust, type = "plain", influence = 0) {
  d$failed <- as.integer(d$ending == 0)
  if (robust) survfit(Surv(entry, exit, failed) ~ 1, d, weights = d$weight, cluster = cluster, robust = TRUE, conf.type = type, influence = influence)
  else survfit(Surv(entry, exit, failed) ~ 1, d, weights = d$weight, robust = FALSE, conf.type = type)
}

types <- c(plain = "plain", log = "log", complementary_log_log = "log-log", logit = "logit", arcsine_square_root = "arcsin")

curve <- function(d) {
  one <- function(robust) {
    f <- fit(d, robust)
    at <- which(f$n.event > 0 & f$surv > 1e-12)
    limits <- lapply(types, function(type) { g <- fit(d, robust, type); unname(cbind(g$lower[at], g$upper[at])) })
    list(day = f$time[at], at_risk = f$n.risk[at], failed = f$n.event[at], survival = f$surv[at],
         standard_error = (if (f$logse) f$surv * f$std.err else f$std.err)[at],
         cumulative_hazard = f$cumhaz[at], hazard_error = f$std.chaz[at], limits = limits)
  }
  list(model_based = one(FALSE), cluster_robust = one(TRUE))
}

# One row a cluster (named), one column a time: the influence on S.
influences <- function(d, times) {
  f <- fit(d, TRUE, influence = TRUE)
  inf <- f$influence.surv
  k <- findInterval(times, f$time)
  m <- sapply(k, function(j) if (j == 0) rep(0, nrow(inf)) else inf[, j])
  rownames(m) <- sort(unique(d$cluster))
  m
}

at <- function(f, t) summary(f, times = t)$surv

area <- function(f, horizon) {
  t <- c(0, f$time[f$time < horizon], horizon)
  s <- c(1, f$surv[f$time < horizon])
  sum(diff(t) * s)
}

area_influence <- function(d, horizon) {
  days <- 0:(horizon - 1)
  rowSums(influences(d, days))
}

# Sum over clusters of (c2 * second - c1 * first)^2, clusters matched by name.
crossed <- function(first, second, c1, c2) {
  all <- union(names(first), names(second))
  value <- function(x) ifelse(all %in% names(x), x[all], 0)
  sqrt(sum((c2 * value(second) - c1 * value(first))^2))
}

# What an exact limit counts: clusters (robust) or rows followed from the start to t, (sum w)^2 / sum w^2 of their mean weights.
units <- function(d, t, robust) {
  d <- d[d$entry == 0 & d$exit >= t, ]
  w <- if (robust) tapply(d$weight, d$cluster, mean) else d$weight
  if (length(w) == 0) 0 else sum(w)^2 / sum(w^2)
}

# Limits of each group's survival at a level, (lower, upper): the outer ones of survfit's log-log and of the exact binomial ones
# by the effective number (Dorey & Korn 1987).
limits <- function(d, t, robust, level) {
  f <- survfit(Surv(entry, exit, as.integer(ending == 0)) ~ 1, d, weights = d$weight, cluster = if (robust) d$cluster, robust = robust, conf.type = "log-log", conf.int = level)
  z <- summary(f, times = t)
  if (z$surv < 1) {
    n <- (1 - z$surv) * z$surv / z$std.err^2
    kept <- n * z$surv; failed <- n - kept; tail <- (1 - level) / 2
    c(min(z$lower, qbeta(tail, kept, failed + 1)), max(z$upper, qbeta(tail, kept + 1, failed, lower.tail = FALSE)))
  }
  else { n <- units(d, t, robust); if (n > 0) c(((1 - level) / 2)^(1 / n), 1) else c(NA, NA) }
}

# Limits of second - first, and ln of the p at whose level they reach 0.
difference_limits <- function(one, two, t, robust, level = 0.95) {
  s1 <- at(fit(one, robust), t); s2 <- at(fit(two, robust), t)
  rho <- 0
  if (robust && s1 < 1 && s2 < 1) {
    i1 <- influences(one, t)[, 1]; i2 <- influences(two, t)[, 1]
    both <- intersect(names(i1), names(i2))
    rho <- sum(i1[both] * i2[both]) / sqrt(sum(i1^2) * sum(i2^2))
  }
  put <- function(level) {
    l1 <- limits(one, t, robust, level); l2 <- limits(two, t, robust, level)
    reach <- function(a, b) sqrt(a^2 - 2 * rho * a * b + b^2)
    c(s2 - s1 - reach(s2 - l2[1], l1[2] - s1), s2 - s1 + reach(s1 - l1[1], l2[2] - s2))
  }
  p <- NA
  if (s1 != s2) {
    nearer <- function(ln_p) { x <- put(1 - exp(ln_p)); if (s2 > s1) x[1] else -x[2] }
    p <- uniroot(nearer, c(-30, -1e-9), tol = 1e-13)$root
  }
  list(limits = put(level), ln_p = p)
}

contrasts <- function(d, horizons) {
  one <- d[d$group == 0, ]; two <- d[d$group == 1, ]
  f1 <- fit(one, TRUE); f2 <- fit(two, TRUE)
  m1 <- fit(one, FALSE); m2 <- fit(two, FALSE)
  lapply(horizons, function(t) {
    s1 <- at(f1, t); s2 <- at(f2, t)
    i1 <- influences(one, t)[, 1] / s1; i2 <- influences(two, t)[, 1] / s2
    v <- function(m) { z <- summary(m, times = t); (z$std.err / z$surv)^2 }
    v1 <- v(m1); v2 <- v(m2)
    coefficients <- list(difference = c(s1, s2), ratio = c(1, 1), complementary_log_log = 1 / log(c(s1, s2)))
    a1 <- area(f1, t); a2 <- area(f2, t)
    b1 <- area_influence(one, t); b2 <- area_influence(two, t)
    list(horizon = t, first = s1, second = s2,
         robust = lapply(coefficients, function(c) crossed(i1, i2, c[1], c[2])),
         model = lapply(coefficients, function(c) sqrt(c[1]^2 * v1 + c[2]^2 * v2)),
         mean_first = a1, mean_second = a2,
         mean_difference_error = crossed(b1, b2, 1, 1), mean_ratio_error = crossed(b1, b2, 1 / a1, 1 / a2),
         difference_robust = difference_limits(one, two, t, TRUE), difference_model = difference_limits(one, two, t, FALSE))
  })
}

conditional <- function(d, pairs) {
  f <- fit(d, TRUE)
  lapply(pairs, function(p) {
    s <- at(f, p)
    i <- influences(d, p)
    i <- i[, 2] / s[2] - i[, 1] / s[1]
    m <- summary(fit(d, FALSE), times = p)
    list(given = p[1], horizon = p[2], value = s[2] / s[1], robust = s[2] / s[1] * sqrt(sum(i^2)),
         model = s[2] / s[1] * sqrt(diff((m$std.err / m$surv)^2)))
  })
}

sets <- lapply(list(c(101, 25, 400, 0), c(102, 60, 900, 0), c(103, 40, 500, 1), c(104, 120, 700, 1)), function(s) {
  d <- draw(s[1], s[2], s[3], s[4] > 0)
  horizons <- round(s[3] * c(0.25, 0.5, 0.7))
  list(rows = unname(as.matrix(d)), pooled = curve(d), contrasts = contrasts(d, horizons),
       conditional = conditional(d, list(horizons[1:2], horizons[2:3])))
})
about <- paste("Made by make_curves.R with", R.version.string, "and survival", packageVersion("survival"),
  "- a row: entry, exit, ending (0 failed, 1 competing, 2 censored), cluster, group, weight")
script <- sub("--file=", "", grep("--file=", commandArgs(), value = TRUE))
writeLines(json(list(about = about, sets = unname(sets))), file.path(dirname(script), "curves.json"))
