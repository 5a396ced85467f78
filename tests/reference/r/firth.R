# Firth-penalised regression; prints JSON. Run from tests/reference/r: Rscript firth.R > firth.json
# Logistic: brglm2 (AS_mean) and, independently, maximisation of logL + ln|I|/2.
# Cox: maximisation over survival::coxph evaluated at fixed coefficients. Profile limits by uniroot on the maximised likelihood.
suppressMessages({library(survival); library(MASS); library(brglm2); library(jsonlite)}); options(warn = -1)
crit <- qchisq(.95, 1) / 2; O <- list(); B <- list()
pll_log <- function(X, y) function(b) { eta <- drop(X %*% b); p <- plogis(eta); sum(y * plogis(eta, log.p = TRUE) + (1 - y) * plogis(-eta, log.p = TRUE)) + 0.5 * as.numeric(determinant(crossprod(X * sqrt(p * (1 - p))))$modulus) }
pll_cox <- function(t, e, X, ties, start = NULL, st = rep(1, length(t))) function(b) { y <- if (is.null(start)) Surv(t, e) else Surv(start, t, e); f <- coxph(y ~ X + strata(st), init = b, ties = ties, control = coxph.control(iter.max = 0)); f$loglik[1] - 0.5 * as.numeric(determinant(f$var)$modulus) }
mx <- function(f, b0, fixed = integer(0), val = numeric(0)) { free <- setdiff(seq_along(b0), fixed); full <- function(z) { b <- b0; b[free] <- z; b[fixed] <- val; b }
  if (!length(free)) { v <- f(full(numeric(0))); return(list(par = full(numeric(0)), value = v)) }
  low <- function(z) { v <- tryCatch(f(full(z)), error = function(e) -Inf); if (is.finite(v)) -v else 1e8 }
  z <- b0[free]; for (k in 1:4) { o <- optim(z, low, method = "BFGS", control = list(reltol = 1e-15, maxit = 500, ndeps = rep(1e-4, length(free)))); z <- o$par }
  list(par = full(z), value = -o$value) }
prof <- function(id, f, b0, nm, which = seq_along(b0)) { m <- mx(f, b0); lo <- hi <- plr <- rep(NA_real_, length(b0))
  for (k in which) { g <- function(v) mx(f, m$par, k, v)$value - (m$value - crit); plr[k] <- 2 * (m$value - mx(f, m$par, k, 0)$value)
    h <- m$par[k] + 1; while (g(h) > 0) h <- h + 3; hi[k] <- uniroot(g, c(m$par[k], h), tol = 1e-9)$root
    l <- m$par[k] - 1; while (g(l) > 0) l <- l - 3; lo[k] <- uniroot(g, c(l, m$par[k]), tol = 1e-9)$root }
  O[[length(O) + 1]] <<- list(model = id, terms = nm, coef = m$par, lower = lo, upper = hi, statistic = plr, p = pchisq(plr, 1, lower.tail = FALSE), log_likelihood = m$value) }
brg <- function(id, fo, d, type = "AS_mean", link = "logit") { f <- glm(fo, family = binomial(link), data = d, method = "brglmFit", type = type, control = list(epsilon = 1e-12, maxit = 1000)); B[[length(B) + 1]] <<- list(model = id, type = type, link = link, terms = names(coef(f)), coef = unname(coef(f))); coef(f) }
read <- function(name) read.csv(file.path("..", "data", name))
e <- read("endometrial.csv"); b <- brg("endometrial", HG ~ NV + PI + EH, e); prof("endometrial", pll_log(cbind(1, as.matrix(e[, c("NV", "PI", "EH")])), e$HG), unname(b), c("intercept", "NV", "PI", "EH"), 2:4)
r <- read("rare300.csv"); X <- as.matrix(r[, c("x1", "x2", "x3")]); b <- brg("rare300", event ~ x1 + x2 + x3, r); prof("rare300", pll_log(cbind(1, X), r$event), unname(b), c("intercept", "x1", "x2", "x3"), 2:4)
w <- birthwt[birthwt$ht == 1 | birthwt$ui == 1, ]; b <- brg("birthwt_ht_or_ui", low ~ age + lwt + smoke, w); prof("birthwt_ht_or_ui", pll_log(cbind(1, as.matrix(w[, c("age", "lwt", "smoke")])), w$low), unname(b), c("intercept", "age", "lwt", "smoke"), 3:4)
for (ties in c("breslow", "efron")) { prof(paste0("rare300_cox_", ties), pll_cox(r$time, r$event, X, ties), c(0, 0, 0), c("x1", "x2", "x3"))
  prof(paste0("ovarian_cox_", ties), pll_cox(ovarian$futime, ovarian$fustat, as.matrix(ovarian[, c("age", "rx")]), ties), c(0, 0), c("age", "rx"))
  h <- heart; prof(paste0("heart_cox_", ties), pll_cox(h$stop, h$event, cbind(h$surgery), ties, h$start, h$transplant), 0, "surgery") }
m <- Melanoma; prof("melanoma_other_cox_breslow", pll_cox(m$time, as.integer(m$status == 3), as.matrix(m[, c("sex", "thickness", "ulcer")]), "breslow"), c(0, 0, 0), c("sex", "thickness", "ulcer"))
cat(toJSON(list(r = R.version.string, packages = list(survival = as.character(packageVersion("survival")), brglm2 = as.character(packageVersion("brglm2"))), maximised = O, brglm2 = B), auto_unbox = TRUE, digits = I(15), na = "null"), "\n")
