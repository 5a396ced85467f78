# Interval censoring: NPMLE by npsurv and parametric fits by survreg; prints JSON.
# Run from tests/reference/r: Rscript interval_censored.R > interval_censored.json
# Data: ../data/cosmesis.csv (Finkelstein and Wolfe, Biometrics 1985;41:933), ../data/interval500.csv
# (made up), and "mixed", drawn here with exact, interval-, left- and right-censored times.
suppressMessages({library(survival); library(npsurv); library(jsonlite)})
read <- function(name) { d <- read.csv(file.path("..", "data", name)); d$upper[is.na(d$upper)] <- Inf; d }
cosmesis <- read("cosmesis.csv")
made <- read.csv(file.path("..", "data", "interval500.csv"))
made <- data.frame(lower = made$L, upper = ifelse(is.na(made$R), Inf, made$R), group = made$grp)
set.seed(20240917)
t <- round(rweibull(120, 1.3, 40)) + 1
visit <- t(apply(matrix(sample(3:12, 120 * 12, TRUE), 120), 1, cumsum))
lower <- sapply(1:120, function(i) max(c(0, visit[i, visit[i, ] < t[i]])))
upper <- sapply(1:120, function(i) min(c(Inf, visit[i, visit[i, ] >= t[i]])))
exact <- seq_len(120) %% 5 == 0
mixed <- data.frame(lower = ifelse(exact, t, lower), upper = ifelse(exact, t, upper), group = rep(0:1, 60))
npmle <- list()
fit <- function(data, name, d) {
  f <- npsurv(as.matrix(d[, c("lower", "upper")]), tol = 1e-13, maxit = 10000)
  npmle[[length(npmle) + 1]] <<- list(data = name, lower = f$f$left, mass_upper = f$f$right, mass = f$f$p, log_likelihood = f$ll)
}
for (g in unique(cosmesis$group)) fit(cosmesis, paste0("cosmesis: ", g), cosmesis[cosmesis$group == g, ])
fit(made, "interval500", made)
fit(mixed, "mixed", mixed)
parametric <- list()
aft <- function(name, d, formula, distribution) {
  d$from <- ifelse(d$lower == 0, NA, d$lower); d$to <- ifelse(is.infinite(d$upper), NA, d$upper)
  m <- survreg(formula, data = d, dist = distribution, control = survreg.control(rel.tolerance = 1e-13, maxiter = 500))
  s <- summary(m)$table
  parametric[[length(parametric) + 1]] <<- list(data = name, distribution = distribution, terms = rownames(s),
    coef = as.numeric(s[, 1]), se = as.numeric(s[, 2]), log_likelihood = m$loglik[2])
}
cosmesis$x <- as.integer(cosmesis$group == "radiotherapy and chemotherapy")
made$x <- made$group
mixed$x <- mixed$group
for (distribution in c("weibull", "loglogistic", "lognormal")) {
  aft("cosmesis", cosmesis, Surv(from, to, type = "interval2") ~ x, distribution)
  aft("interval500", made, Surv(from, to, type = "interval2") ~ x, distribution)
  aft("mixed", mixed, Surv(from, to, type = "interval2") ~ x, distribution)
}
cat(toJSON(list(r = R.version.string, packages = lapply(c(npsurv = "npsurv", survival = "survival"), function(p) as.character(packageVersion(p))),
  mixed = list(lower = mixed$lower, upper = mixed$upper, x = mixed$x), npmle = npmle, parametric = parametric),
  auto_unbox = TRUE, digits = I(15), na = "string"), "\n")
