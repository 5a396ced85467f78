# Rate in first cases over that in later ones: exact comparison of two Poisson rates.
# Run: Rscript tests/reference/r/first_cases.R > tests/reference/r/first_cases.json
suppressMessages(library(jsonlite))
cases <- list(c(6, 5, 3, 5), c(0, 9, 1.2, 8), c(4, 0, 1.5, 6), c(12, 30, 4.4, 37.6))
rows <- lapply(cases, function(x) {
  r <- poisson.test(x[1:2], x[3:4])
  list(events = x[1:2], expected = x[3:4], ratio = unname(r$estimate),
       lower = r$conf.int[1], upper = r$conf.int[2])
})
cat(toJSON(list(r = R.version.string, rows = rows), auto_unbox = TRUE, digits = 15, pretty = TRUE))
