# Jeffreys-penalised complementary log-log model in discrete time; prints JSON.
# Run from tests/reference/r: Rscript firth_discrete_time.R > firth_discrete_time.json
# rare300 in intervals of 24 months. "parts": a censored row counts for its part of an interval (offset), by direct maximisation of
# logL + ln|I|/2. "whole": whole intervals only. brglm2 0.9 (MPL_Jeffreys) is no oracle here: 0.01 off with the offset, diverges without.
suppressMessages(library(jsonlite)); r <- read.csv("../data/rare300.csv"); edges <- seq(0, 120, 24)
D <- do.call(rbind, lapply(seq_len(nrow(r)), function(i) { k <- which(edges[-length(edges)] < r$time[i]); part <- pmin(1, (r$time[i] - edges[k]) / 24); last <- length(k)
  ev <- rep(0, last); if (r$event[i] == 1) { ev[last] <- 1; part[last] <- 1 }; data.frame(k = k, part = part, ev = ev, x1 = r$x1[i], x2 = r$x2[i], x3 = r$x3[i]) }))
maximise <- function(D, o, b) { X <- model.matrix(~ factor(k) + x1 + x2 + x3, D); y <- D$ev
  pl <- function(b) { h <- exp(drop(X %*% b) + o); mu <- -expm1(-h); w <- h^2 / expm1(h); -(sum(y * log(mu) - (1 - y) * h) + .5 * as.numeric(determinant(crossprod(X * sqrt(w)))$modulus)) }
  for (i in 1:8) { f <- optim(b, pl, method = "BFGS", control = list(reltol = 1e-15, maxit = 1000, ndeps = rep(1e-4, 8))); b <- f$par }; list(coef = b, log_likelihood = -f$value) }
start <- c(-5, -2.4, -2, -1.3, -.1, .7, -.7, .2); W <- D[D$part == 1, ]
cat(toJSON(list(r = R.version.string, packages = list(stats = as.character(packageVersion("stats"))), parts = maximise(D, log(D$part), start), whole = maximise(W, 0, start)), auto_unbox = TRUE, digits = I(15)), "\n")
