# Generalised estimating equations with working independence: geepack's geeglm on its own data set
# of wheeze in children of Ohio (four yearly readings a child), sandwich standard errors.
# Run: Rscript tests/reference/r/independence_gee.R > tests/reference/r/independence_gee.json
suppressMessages({library(geepack); library(jsonlite)})
data(ohio)

fitted <- function(formula) {
  fit <- geeglm(formula, id = id, data = ohio, family = binomial, corstr = "independence")
  table <- summary(fit)$coefficients
  list(term = rownames(table), coef = table[, "Estimate"], se = table[, "Std.err"])
}

answer <- list(
  versions = list(R = as.character(getRversion()), geepack = as.character(packageVersion("geepack"))),
  share = fitted(resp ~ 1),
  by_smoke = fitted(resp ~ 0 + factor(smoke)),
  by_age = fitted(resp ~ 0 + factor(age)),
  model = fitted(resp ~ age + smoke)
)
cat(toJSON(answer, auto_unbox = TRUE, digits = 15, pretty = TRUE), "\n")
