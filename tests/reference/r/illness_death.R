# Illness-death with the loss seen at visits and death exact: maximum likelihood by msm; prints JSON.
# 250 made-up patients drawn here; constant intensities, and intensities that change at 3 years.
# Run: Rscript tests/reference/r/illness_death.R > tests/reference/r/illness_death.json
suppressMessages({library(msm); library(jsonlite)})
set.seed(20240917)
n <- 250
lost <- rexp(n, 0.13); straight <- rexp(n, 0.05)
dies <- ifelse(lost < straight, lost + rexp(n, 0.14), straight)
vital <- pmin(dies, runif(n, 3, 12)); died <- dies <= vital
last <- floor(2 * pmin(vital, runif(n, 1, 14))) / 2
below <- ceiling(2 * lost) / 2
seen <- below <= last
above <- ifelse(seen, below - 0.5, last)
vital <- round(vital, 3) + 0.001
rows <- list()
for (i in seq_len(n)) {
  time <- 0; state <- 1
  if (above[i] > 0) { time <- c(time, above[i]); state <- c(state, 1) }
  if (seen[i]) { time <- c(time, below[i]); state <- c(state, 2) }
  # 99: alive, in state 1 or 2
  time <- c(time, vital[i]); state <- c(state, if (died[i]) 3 else 99)
  rows[[i]] <- data.frame(id = i, time, state)
}
d <- do.call(rbind, rows)
q <- rbind(c(0, 0.1, 0.05), c(0, 0, 0.1), c(0, 0, 0))
control <- list(fnscale = 1000, reltol = 1e-15, maxit = 10000)
fit <- function(...) msm(state ~ time, subject = id, data = d, qmatrix = q, deathexact = 3, censor = 99, censor.states = c(1, 2), control = control, ...)
one <- fit()
two <- fit(pci = 3)
rate <- function(m, period) { x <- if (is.null(period)) qmatrix.msm(m, ci = "none") else qmatrix.msm(m, ci = "none", covariates = list(timeperiod = period)); c(x[1, 2], x[1, 3], x[2, 3]) }
p <- function(m, t) as.numeric(if (is.null(m$pci)) pmatrix.msm(m, t)[1, ] else pmatrix.msm(m, t, t1 = 0)[1, ])
cat(toJSON(list(r = R.version.string, packages = list(msm = as.character(packageVersion("msm"))),
  patients = list(last_above = above, first_below = ifelse(seen, below, NA), vital_status_time = vital, died = died),
  constant = list(minus_two_log_likelihood = one$minus2loglik, intensity = rate(one, NULL), occupation_5 = p(one, 5)),
  change_at_3 = list(minus_two_log_likelihood = two$minus2loglik, before = rate(two, levels(two$data$mf$timeperiod)[1]), after = rate(two, levels(two$data$mf$timeperiod)[2]), occupation_5 = p(two, 5))),
  auto_unbox = TRUE, digits = I(15), na = "null"), "\n")
