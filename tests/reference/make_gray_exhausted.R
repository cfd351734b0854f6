# Reference values for Gray's test where the last tick exhausts the groups, written to gray_exhausted.json beside this file.
#
#     Rscript make_gray_exhausted.R
#
# needs R with cmprsk. In each set everybody left ends by cause 1 on the last tick; a second value has them censored there.

suppressMessages(library(cmprsk))
sets <- list(
  list(time = c(2, 2, 1, 2), cause = c(1, 1, 1, 1), group = c(0, 0, 1, 1)),
  list(time = c(2, 2, 2, 1, 1, 2), cause = c(1, 1, 1, 1, 1, 1), group = c(0, 0, 0, 1, 1, 1)),
  list(time = c(1, 2, 1, 2, 2), cause = c(2, 1, 1, 1, 1), group = c(0, 0, 1, 1, 1)))
chi_square <- function(set, cause) cuminc(set$time, cause, set$group, cencode = 0)$Tests["1", "stat"]
listed <- function(x) paste0("[", paste(x, collapse = ", "), "]")
lines <- vapply(sets, function(set) {
  censored <- ifelse(set$time == max(set$time), 0, set$cause)
  sprintf('    {"time": %s, "cause": %s, "group": %s, "chi_square": %.17g, "chi_square_with_the_last_censored": %.17g}',
          listed(set$time), listed(set$cause), listed(set$group), chi_square(set, set$cause), chi_square(set, censored))
}, "")
made_with <- paste("R", getRversion(), "cmprsk", packageVersion("cmprsk"))
writeLines(c("{", sprintf('  "made_with": "%s",', made_with), '  "sets": [', paste(lines, collapse = ",\n"), "  ]", "}"),
           "gray_exhausted.json")
