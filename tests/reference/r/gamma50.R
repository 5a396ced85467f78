# gamma50 of dose240 with profile likelihood limits by root finding, and a restricted cubic basis by rms; prints JSON.
# Run from tests/reference/r: Rscript gamma50.R > gamma50.json
suppressMessages({library(rms); library(jsonlite)}); options(warn = -1)
d <- read.csv(file.path("..", "data", "dose240.csv"))
profile_limits <- function(scale) {
  x <- if (scale == "log") log(d$dose) else d$dose
  fit <- glm(d$y ~ x, family = binomial, control = glm.control(epsilon = 1e-14, maxit = 100))
  b <- unname(coef(fit)); d50 <- -b[1] / b[2]
  value <- if (scale == "log") b[2] / 4 else b[2] * d50 / 4
  minus_log_likelihood <- function(g, at) {
    e <- (if (scale == "log") 4 * g else 4 * g / at) * (x - at)
    -sum(d$y * plogis(e, log.p = TRUE) + (1 - d$y) * plogis(-e, log.p = TRUE))
  }
  fall <- function(g) { # from the top of the log-likelihood, d50 at its best for this g, less the critical fall
    best <- optimize(function(at) minus_log_likelihood(g, at), range(x), tol = 1e-12)$objective
    as.numeric(logLik(fit)) + best - qchisq(0.95, 1) / 2
  }
  limit <- function(side) {
    far <- value; repeat { far <- far + side * value / 20; if (fall(far) > 0) break }
    uniroot(fall, sort(c(value, far)), tol = 1e-12)$root
  }
  list(scale = scale, value = value, lower = limit(-1), upper = limit(1))
}
basis <- rcspline.eval(c(60, 100, 140), knots = seq(50, 130, 20), inclx = TRUE)
versions <- c(R.version.string, paste("rms", packageVersion("rms")))
cat(toJSON(list(versions = versions, gamma50 = list(profile_limits("log"), profile_limits("linear")), basis = unname(basis)), digits = I(15), auto_unbox = TRUE, pretty = TRUE), "\n")
