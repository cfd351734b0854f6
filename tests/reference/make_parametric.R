# Reference values for parametric regression of times to failure, written to parametric.json beside this file.
#
#     Rscript make_parametric.R > parametric.json
#
# needs R with the package survival; no other package. Data are drawn by a fixed seed and written along with the values.
#
# The cluster-robust variance is put together here from scores by their definition: survreg's own (survival 3.5.3) leaves case weights out,
# and its derivatives in ln sigma of interval-censored rows are not those of the likelihood (they don't sum to 0 at its maximum). Where
# neither matters (exponential, no weights) the two are held against each other.

suppressMessages(library(survival))
options(digits = 17)

number <- function(x) {
  if (length(x) == 0) return("[]")
  text <- ifelse(is.na(x) | is.infinite(x), "null",
                 ifelse(x == round(x) & abs(x) < 1e9, format(x, trim = TRUE, scientific = FALSE, digits = 12), formatC(x, digits = 17, format = "g")))
  if (length(x) == 1) text else paste0("[", paste(text, collapse = ", "), "]")
}
vec <- function(x) { t <- number(as.numeric(x)); if (length(x) == 1) paste0("[", t, "]") else t }
object <- function(...) {
  parts <- list(...)
  if (length(parts) == 1 && is.list(parts[[1]])) parts <- parts[[1]]
  paste0("{", paste(sprintf("\"%s\": %s", names(parts), unlist(parts)), collapse = ",\n "), "}")
}

set.seed(20261126)
n <- 120
d <- data.frame(cluster = sample(0:39, n, TRUE), x = round(rnorm(n), 2), f = sample(0:2, n, TRUE), weight = sample(1:4, n, TRUE) / 2)
t <- exp(3 + 0.4 * d$x - 0.5 * (d$f == 1) + 0.3 * (d$f == 2) + 0.6 * rlogis(n) + rnorm(40, 0, 0.4)[d$cluster + 1])
kind <- sample(c("exact", "looked", "left"), n, TRUE, c(0.4, 0.5, 0.1))
end <- runif(n, 10, 80)
d$lower <- NA; d$upper <- NA
for (i in seq_len(n)) {
  if (kind[i] == "exact" && t[i] < end[i]) { d$lower[i] <- d$upper[i] <- round(t[i], 2) + 0.01 }
  else if (t[i] > end[i]) { d$lower[i] <- round(end[i], 1); d$upper[i] <- Inf }
  else if (kind[i] == "left") { d$lower[i] <- 0; d$upper[i] <- ceiling(t[i] * 1.3) }
  else { step <- 6; d$lower[i] <- step * floor(t[i] / step); d$upper[i] <- d$lower[i] + step }
}
d$f1 <- as.integer(d$f == 1); d$f2 <- as.integer(d$f == 2)
d$left <- ifelse(d$lower > 0, d$lower, NA)
d$right <- ifelse(is.finite(d$upper), d$upper, NA)

names_of <- c(exponential = "exponential", weibull = "weibull", loglogistic = "log_logistic", lognormal = "log_normal")
control <- survreg.control(rel.tolerance = 1e-14, maxiter = 200)
fit <- function(formula, dist, weights, clustered) {
  d$w <- if (weights) d$weight else 1
  environment(formula) <- environment()
  if (clustered) survreg(formula, data = d, weights = w, dist = dist, control = control, cluster = cluster, score = TRUE)
  else survreg(formula, data = d, weights = w, dist = dist, control = control, score = TRUE)
}
scores <- function(fit, dist, weights) {
  x <- model.matrix(fit)
  law <- switch(dist, weibull = , exponential = "extreme", loglogistic = "logistic", lognormal = "gaussian")
  s <- function(z) switch(law, extreme = exp(-exp(z)), logistic = plogis(-z), gaussian = pnorm(-z))
  f <- function(z) switch(law, extreme = exp(z - exp(z)), logistic = dlogis(z), gaussian = dnorm(z))
  slope <- function(z) switch(law, extreme = 1 - exp(z), logistic = 1 - 2 * plogis(z), gaussian = -z)
  eta <- drop(x %*% coef(fit)); sigma <- fit$scale
  low <- (log(d$lower) - eta) / sigma; high <- (log(d$upper) - eta) / sigma
  zf <- function(z) ifelse(is.finite(z), z * f(z), 0); ff <- function(z) ifelse(is.finite(z), f(z), 0)
  part <- ifelse(is.finite(low), s(low), 1) - ifelse(is.finite(high), s(high), 0)
  exact <- d$lower == d$upper
  by_eta <- ifelse(exact, -slope(low) / sigma, (ff(low) - ff(high)) / part / sigma)
  by_spread <- ifelse(exact, -1 - low * slope(low), (zf(low) - zf(high)) / part)
  w <- if (weights) d$weight else 1
  w * cbind(x * by_eta, if (dist != "exponential") by_spread)
}
sandwich <- function(fit, dist, weights) {
  u <- scores(fit, dist, weights)
  stopifnot(max(abs(colSums(u))) < 1e-9)
  fit$var %*% crossprod(rowsum(u, d$cluster)) %*% fit$var
}
all_terms <- Surv(left, right, type = "interval2") ~ x + f1 + f2
cases <- c()
for (dist in names(names_of)) for (weights in c(FALSE, TRUE)) for (bare in c(FALSE, TRUE)) {
  formula <- if (bare) Surv(left, right, type = "interval2") ~ 1 else all_terms
  plain <- fit(formula, dist, weights, FALSE)
  robust <- fit(formula, dist, weights, TRUE)
  own <- sandwich(plain, dist, weights)
  if (dist == "exponential" && !weights) stopifnot(max(abs(own / robust$var - 1)) < 1e-10)
  robust$var <- own
  parts <- list(family = sprintf("\"%s\"", names_of[dist]), weights = tolower(weights), covariates = tolower(!bare),
    coefficient = vec(coef(plain)), spread = number(plain$scale), ln_likelihood = number(plain$loglik[2]),
    covariance = vec(plain$var), robust_covariance = vec(robust$var))
  x_new <- if (bare) 1 else c(1, 0.3, 1, 0)
  law <- switch(dist, weibull = , exponential = "extreme", loglogistic = "logistic", lognormal = "gaussian")
  survival_of <- function(z) switch(law, extreme = exp(-exp(z)), logistic = plogis(-z), gaussian = pnorm(-z))
  density_of <- function(z) switch(law, extreme = exp(z - exp(z)), logistic = dlogis(z), gaussian = dnorm(z))
  times <- c(0.5, 5, 20, 60, 150)
  eta <- sum(x_new * coef(plain)); z <- (log(times) - eta) / plain$scale
  error <- function(v) sapply(z, function(z) {
    g <- density_of(z) / plain$scale * x_new
    if (dist != "exponential") g <- c(g, density_of(z) * z)
    sqrt(sum(g * (v %*% g)))
  })
  p <- c(0.1, 0.5, 0.9)
  if (!bare) {
    wald <- function(v, k) { b <- coef(plain)[k]; sum(b * solve(v[k, k, drop = FALSE], b)) }
    parts <- c(parts, list(
      ln_likelihood_without = number(fit(Surv(left, right, type = "interval2") ~ 1, dist, weights, FALSE)$loglik[2]),
      likelihood_ratio_terms = vec(2 * (plain$loglik[2] - c(fit(update(all_terms, . ~ . - x), dist, weights, FALSE)$loglik[2],
        fit(update(all_terms, . ~ . - f1 - f2), dist, weights, FALSE)$loglik[2]))),
      wald_terms = vec(c(wald(plain$var, 2), wald(plain$var, 3:4))), robust_wald_terms = vec(c(wald(robust$var, 2), wald(robust$var, 3:4))),
      wald = number(wald(plain$var, 2:4)), robust_wald = number(wald(robust$var, 2:4))))
  }
  new <- data.frame(x = 0.3, f1 = 1, f2 = 0)
  quantiles <- function(fit) predict(fit, newdata = new, type = "quantile", p = p, se.fit = TRUE)
  qp <- if (bare) list(fit = exp(eta + plain$scale * qsurvreg(p, 0, 1, switch(law, extreme = "extreme", logistic = "logistic", gaussian = "gaussian")))) else quantiles(plain)
  parts <- c(parts, list(survival = vec(survival_of(z)), survival_error = vec(error(plain$var)),
    survival_robust_error = vec(error(robust$var)), quantile = vec(qp$fit)))
  if (!bare) parts <- c(parts, list(quantile_error = vec(qp$se.fit), quantile_robust_error = vec(quantiles(robust)$se.fit)))
  cases <- c(cases, object(parts))
}
cat(object(software = sprintf("\"%s, survival %s\"", R.version.string, packageVersion("survival")),
  data = object(cluster = vec(d$cluster), x = vec(d$x), f = vec(d$f), weight = vec(d$weight), lower = vec(d$lower), upper = vec(d$upper)),
  cases = paste0("[", paste(cases, collapse = ",\n"), "]")), "\n")
