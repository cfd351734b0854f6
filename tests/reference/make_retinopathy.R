# Makes retinopathy.json: reference values for a whole comparison, on open clustered data.
#
# Data: the diabetic retinopathy study as distributed with the R package "survival" (data set `retinopathy`): 197 patients with two
# eyes each, one of which was treated by laser; time to loss of vision in months. Huster WJ, Brookmeyer R, Self SG. Biometrics
# 1989;45:145-156. An eye stands in for a restoration, a patient for a patient; months are made whole days (30.4375 each, rounded, at
# least 2). A failure is taken to be found at a visit up to 40 days after one that saw none.
#
# Needs: R with survival. Run in this folder: Rscript make_retinopathy.R

library(survival)
d <- retinopathy
d$day <- pmax(2, round(d$futime * 30.4375))
d$good <- ifelse(d$status == 1, pmax(1, d$day - 40), d$day)
d$risk <- ifelse(d$risk <= 8, "to_8", paste0("is_", d$risk))
d$risk <- factor(d$risk, levels = names(sort(-table(d$risk))))
d$type <- factor(d$type, levels = c("juvenile", "adult"))
stopifnot(all(table(d$risk) >= 10), names(which.max(table(d$type))) == "juvenile")
horizon <- c(365, 731, 1096, 1826)
at <- function(fit, level) {
  s <- summary(fit[level], times = horizon, extend = TRUE)
  list(survival = s$surv, error = s$std.err)
}
curves <- function(w) {
  fit <- survfit(Surv(day, status) ~ trt, data = d, weights = w, cluster = id, robust = TRUE)
  lapply(1:2, function(level) at(fit, level))
}
# The difference of two clustered curves: influences by patient, summed over both.
difference <- function(w) {
  one <- survfit(Surv(day, status) ~ 1, data = d[d$trt == 0, ], weights = w[d$trt == 0], cluster = id, influence = 1)
  two <- survfit(Surv(day, status) ~ 1, data = d[d$trt == 1, ], weights = w[d$trt == 1], cluster = id, influence = 1)
  read <- function(fit) { place <- findInterval(horizon, fit$time); list(s = fit$surv[place], i = fit$influence.surv[, place]) }
  a <- read(one); b <- read(two)
  ids <- sort(unique(d$id))
  rows <- function(r, fit, who) { m <- matrix(0, length(ids), length(horizon)); m[match(sort(unique(who)), ids), ] <- r$i; m }
  diff <- rows(b, two, d$id[d$trt == 1]) - rows(a, one, d$id[d$trt == 0])
  list(value = b$s - a$s, error = sqrt(colSums(diff^2)))
}
cox <- function(formula, w = rep(1, nrow(d))) {
  d$w <- w
  fit <- coxph(formula, data = d, weights = w, cluster = id, ties = "efron", control = coxph.control(eps = 1e-14, iter.max = 100))
  list(coefficient = unname(coef(fit)["trt"]), error = unname(sqrt(diag(fit$var))[names(coef(fit)) == "trt"]))
}
ones <- rep(1, nrow(d))
p <- fitted(glm(trt ~ type + risk, family = binomial, data = d, control = list(epsilon = 1e-15, maxit = 100)))
share <- mean(d$trt)
w <- ifelse(d$trt == 1, share / p, (1 - share) / (1 - p))
within <- coxph(Surv(day, status) ~ trt + strata(id), data = d, ties = "efron", control = coxph.control(eps = 1e-14))
left <- d$good; right <- ifelse(d$status == 1, d$day, NA)
weibull <- survreg(Surv(left, right, type = "interval2") ~ trt + type + risk + cluster(id), data = d, dist = "weibull",
                   control = survreg.control(rel.tolerance = 1e-14, maxiter = 200))
together <- coxph(Surv(day, status) ~ trt + type + risk, data = d, cluster = id, ties = "efron",
                  control = coxph.control(eps = 1e-14, iter.max = 100))
out <- list(
  made_with = paste(R.version.string, "survival", packageVersion("survival")),
  rows = d[, c("id", "eye", "trt", "type", "risk", "day", "good", "status")],
  horizons = horizon,
  crude = list(curves = curves(ones), difference = difference(ones), cox = cox(Surv(day, status) ~ trt)),
  weighted = list(curves = curves(w), difference = difference(w), cox = cox(Surv(day, status) ~ trt, w)),
  regression = cox(Surv(day, status) ~ trt + type + risk),
  within = list(coefficient = unname(coef(within)), model_error = unname(sqrt(vcov(within)[1, 1]))),
  together = list(names = names(coef(together)), coefficients = unname(coef(together)), errors = unname(sqrt(diag(together$var)))),
  weibull = list(names = names(coef(weibull)), coefficients = unname(coef(weibull)), scale = weibull$scale)
)
json <- function(x) {
  if (is.data.frame(x)) return(json(lapply(seq_len(nrow(x)), function(i) as.list(x[i, ]))))
  if (is.factor(x)) x <- as.character(x)
  if (is.list(x)) {
    parts <- vapply(x, json, "")
    if (is.null(names(x))) return(paste0("[", paste(parts, collapse = ","), "]"))
    return(paste0("{", paste0('"', names(x), '":', parts, collapse = ","), "}"))
  }
  one <- function(v) if (is.na(v)) "null" else if (is.character(v)) paste0('"', v, '"') else format(v, digits = 17)
  if (length(x) == 1) one(x) else paste0("[", paste(vapply(x, one, ""), collapse = ","), "]")
}
writeLines(json(out), "retinopathy.json")
