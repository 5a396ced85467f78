# Exponential fall to a random plateau by nlme::nlme and, for a given time constant, nlme::lme (ML);
# prints JSON. Run from tests/reference/r: Rscript tumour_regression.R > tumour_regression.json
# Data: drawn here (24 tumours, 3 to 7 readings), printed with the answers.
suppressMessages({library(nlme); library(jsonlite)})
set.seed(20240229)
n <- 24; each <- rep(3:7, length.out = n); id <- rep(sprintf("T%02d", 1:n), each)
t <- round(unlist(lapply(each, function(k) sort(runif(k, 0.1, 6)))), 3)
a <- rnorm(n, 0.55, 0.12)[rep(1:n, each)]
r <- round(a + (1 - a) * exp(-t / 0.9) + rnorm(length(t), 0, 0.05), 4)
d <- data.frame(id = factor(id), t = t, r = r)
at <- function(lt) { d$left <- exp(-d$t / exp(lt)); d$x <- 1 - d$left; d$y <- d$r - d$left
  lme(y ~ 0 + x, random = ~ 0 + x | id, data = d, method = "ML",
      control = lmeControl(opt = "optim", msTol = 1e-14, tolerance = 1e-12, maxIter = 500, msMaxIter = 500)) }
ll <- function(lt) as.numeric(logLik(at(lt)))
best <- optimize(ll, log(c(0.1, 10)), maximum = TRUE, tol = 1e-10)
top <- best$objective; f <- at(best$maximum)
side <- function(lo, hi) exp(uniroot(function(lt) ll(lt) - top + qchisq(0.95, 1) / 2, c(lo, hi), tol = 1e-12)$root)
g <- nlme(r ~ p + (1 - p) * exp(-t / exp(lt)), data = d, fixed = p + lt ~ 1, random = p ~ 1 | id,
  start = c(p = 0.5, lt = 0), method = "ML", control = nlmeControl(tolerance = 1e-10, maxIter = 500, msTol = 1e-12))
grid <- log(c(0.3, 0.6, 0.9, 1.5, 3))
out <- list(r = R.version.string, nlme = as.character(packageVersion("nlme")),
  tumour_id = as.character(d$id), years = d$t, ratio = d$r,
  profile = list(time_constant = best$maximum |> exp(), log_likelihood = top, plateau = unname(fixef(f)),
    plateau_sd = as.numeric(VarCorr(f)["x", "StdDev"]), residual_sd = f$sigma,
    lower = side(log(0.1), best$maximum), upper = side(best$maximum, log(10))),
  nlme = list(time_constant = unname(exp(fixef(g)["lt"])), plateau = unname(fixef(g)["p"]),
    plateau_sd = as.numeric(VarCorr(g)["p", "StdDev"]), residual_sd = g$sigma, log_likelihood = as.numeric(logLik(g))),
  at = list(time_constant = exp(grid), log_likelihood = sapply(grid, ll),
    plateau = sapply(grid, function(lt) unname(fixef(at(lt))))))
names(out)[2] <- "nlme_version"
cat(toJSON(out, digits = 15, auto_unbox = TRUE), "\n")
