# Exact Poisson and binomial limits and p values, Wilson limits; prints JSON.
# Run: Rscript tests/reference/r/exact_counts.R > tests/reference/r/exact_counts.json
suppressMessages(library(jsonlite))
poisson <- list()
binomial <- list()
for (o in c(0, 1, 2, 3, 5, 8, 10, 23, 50, 100, 250)) for (e in c(0.5, 4.2, 12, 97.3)) for (level in c(0.9, 0.95)) {
  t <- poisson.test(o, e, conf.level = level)
  poisson[[length(poisson) + 1]] <- list(observed = o, expected = e, level = level,
    lower = t$conf.int[1], upper = t$conf.int[2], p = t$p.value)
}
for (n in c(1, 5, 8, 12, 30, 37, 100, 300)) for (x in unique(pmin(n, c(0, 1, 2, 4, 8, n %/% 2, n - 1, n)))) {
  if (x < 0) next
  for (level in c(0.9, 0.95)) {
    b <- binom.test(x, n, conf.level = level)
    w <- suppressWarnings(prop.test(x, n, conf.level = level, correct = FALSE))
    binomial[[length(binomial) + 1]] <- list(events = x, n = n, level = level,
      exact_lower = b$conf.int[1], exact_upper = b$conf.int[2],
      wilson_lower = w$conf.int[1], wilson_upper = w$conf.int[2],
      p_half = b$p.value, p_95 = binom.test(x, n, 0.95)$p.value)
  }
}
cat(toJSON(list(r = R.version.string, packages = list(stats = as.character(packageVersion("stats"))),
  poisson = poisson, binomial = binomial), auto_unbox = TRUE, digits = I(15), pretty = FALSE), "\n")
