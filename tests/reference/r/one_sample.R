# Observed and expected events against a reference hazard, and limits of O/E with an uncertain
# expected number. Prints JSON at 15 digits with versions.
suppressMessages({library(survival); library(jsonlite)})
versions <- list(R = as.character(getRversion()), survival = as.character(packageVersion("survival")))

# Piecewise-constant hazard on survival::lung: H(365) = 0.5, H(730) = 1.4; window 730 days.
hazard <- function(t) ifelse(t < 365, 0.5 * t / 365, 0.5 + 0.9 * (pmin(t, 730) - 365) / 365)
d <- survival::lung
end <- pmin(d$time, 730); event <- as.integer(d$status == 2 & d$time <= 730)
one <- survdiff(Surv(end, event) ~ offset(exp(-hazard(end))))
lung <- list(observed = one$obs, expected = one$exp, statistic = one$chisq,
             p = pchisq(one$chisq, 1, lower.tail = FALSE))

# Person-years by pyears, tied to the same hazards by interval.
cut <- tcut(rep(0, nrow(d)), c(0, 365, 730))
py <- pyears(Surv(end, event) ~ cut, scale = 1)
person_time <- as.numeric(py$pyears)

# Mid-P limits of O/E when E = E0 exp(N(0, sd^2)), by integrate and uniroot.
above <- function(o, m) ppois(o, m, lower.tail = FALSE) + dpois(o, m) / 2
averaged <- function(o, e, sd, ratio) if (sd == 0) above(o, ratio * e) else
  integrate(function(z) above(o, ratio * e * exp(sd * z)) * dnorm(z), -9, 9, rel.tol = 1e-12,
            subdivisions = 2000)$value
limit <- function(o, e, sd, level) exp(uniroot(function(x) averaged(o, e, sd, exp(x)) - level,
  c(log(1e-6), log(1e4)), tol = 1e-13)$root)
cases <- list(c(12, 8, 0), c(12, 8, 0.2), c(1, 3.5, 0.15), c(0, 4, 0.3), c(40, 30, 0.1), c(3, 1.2, 0.6))
limits <- lapply(cases, function(x) list(observed = x[1], expected = x[2], sd = x[3],
  lower = if (x[1] == 0) 0 else limit(x[1], x[2], x[3], 0.05), upper = limit(x[1], x[2], x[3], 0.95)))

cat(toJSON(list(versions = versions, lung = lung, person_time = person_time, limits = limits),
           digits = 15, auto_unbox = TRUE, pretty = TRUE), "\n")
