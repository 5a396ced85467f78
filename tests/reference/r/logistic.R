# Logistic and probit regression by glm, cluster sandwich by hand, splines by rms, D50 limits by root finding; prints JSON.
# Run from tests/reference/r: Rscript logistic.R > logistic.json
suppressMessages({library(MASS); library(Hmisc); library(survival); library(jsonlite)}); ctl <- glm.control(epsilon = 1e-14, maxit = 100)
M <- list(); put <- function(id, fo, d, cl = NULL, link = "logit") { f <- glm(fo, binomial(link), d, control = ctl); V <- vcov(f); rob <- NULL
  if (!is.null(cl)) { S <- rowsum(model.matrix(f) * (f$y - fitted(f)), cl); rob <- sqrt(diag(V %*% crossprod(S) %*% V)) }
  M[[length(M) + 1]] <<- list(model = id, terms = names(coef(f)), n = nobs(f), coef = unname(coef(f)), se = unname(sqrt(diag(V))), robust_se = unname(rob), log_likelihood = as.numeric(logLik(f)), deviance = deviance(f), null_deviance = f$null.deviance) }
put("birthwt", low ~ age + lwt + smoke + ht + ui, birthwt)
b <- birthwt; b$race <- factor(c("white", "black", "other")[b$race]); put("birthwt_race", low ~ race + lwt, b)
put("infert", case ~ age + parity + induced + spontaneous, infert); put("infert_cluster", case ~ age + parity + induced + spontaneous, infert, infert$stratum)
put("pima", type ~ npreg + glu + bp + bmi + ped, Pima.tr); put("melanoma_ulcer", ulcer ~ thickness + age + sex, Melanoma)
d <- read.csv(file.path("..", "data", "dose240.csv")); d$ld <- log(d$dose); put("dose240", y ~ dose, d); put("dose240_log_age", y ~ ld + age, d)
m <- menarche; put("menarche", cbind(Menarche, Total - Menarche) ~ Age, m); put("menarche_probit", cbind(Menarche, Total - Menarche) ~ Age, m, link = "probit")
# D50 and gamma50 with profile limits
Q <- list(); pl <- list(logit = function(e, y, n) sum(y * plogis(e, log.p = TRUE) + (n - y) * plogis(-e, log.p = TRUE)), probit = function(e, y, n) sum(y * pnorm(e, log.p = TRUE) + (n - y) * pnorm(-e, log.p = TRUE)))
root <- function(fall, at, step) { h <- at; repeat { h <- h + step; if (fall(h) > 0) break }; uniroot(fall, sort(c(at, h)), tol = 1e-11)$root }
curve <- function(id, dose, y, n, scale, link) { x <- if (scale == "log") log(dose) else dose; f <- glm(cbind(y, n - y) ~ x, binomial(link), control = ctl); b <- unname(coef(f)); V <- vcov(f); L <- pl[[link]]; top <- L(b[1] + b[2] * x, y, n); crit <- qchisq(.95, 1) / 2
  dens <- if (link == "logit") 1 / 4 else dnorm(0); th <- -b[1] / b[2]; g <- c(-1 / b[2], b[1] / b[2]^2); se <- sqrt(drop(g %*% V %*% g))
  inner <- function(fn, range) optimize(fn, range, maximum = TRUE, tol = 1e-13)$objective; rb <- sort(c(b[2] * .02, b[2] * 5))
  f50 <- function(v) top - inner(function(s) L(s * (x - v), y, n), rb) - crit
  fs <- function(v) top - inner(function(t) L(v * (x - t), y, n), th + c(-1, 1) * 40 * se) - crit
  fi <- function(v) top - inner(function(s) L(v + s * x, y, n), rb) - crit
  lim <- function(fall, at, s) c(root(fall, at, -s), root(fall, at, s)); tf <- if (scale == "log") exp else identity
  Q[[length(Q) + 1]] <<- list(id = id, scale = scale, link = link, d50 = tf(th), d50_se = if (scale == "log") exp(th) * se else se, d50_limits = tf(lim(f50, th, se)), slope = b[2], slope_limits = lim(fs, b[2], sqrt(V[2, 2])), intercept = b[1], intercept_limits = lim(fi, b[1], sqrt(V[1, 1])),
    gamma50 = if (scale == "log") dens * b[2] else -dens * b[1], deviance = deviance(f), log_likelihood = top) }
for (s in c("linear", "log")) for (l in c("logit", "probit")) { curve("dose240", d$dose, d$y, rep(1, 240), s, l); curve("menarche", m$Age, m$Menarche, m$Total, s, l) }
# splines
S <- list(); for (v in list(list("dose240", d$dose), list("lwt", birthwt$lwt), list("ovarian_age", ovarian$age), list("veteran_age", veteran$age))) for (k in 3:7) { kn <- suppressWarnings(rcspline.eval(v[[2]], nk = k, knots.only = TRUE, fractied = 0)); if (length(kn) == k) { gx <- quantile(v[[2]], c(0, .2, .5, .9, 1)); S[[length(S) + 1]] <- list(data = v[[1]], k = k, knots = unname(kn), x = unname(gx), basis = unname(rcspline.eval(unname(gx), knots = kn, inclx = TRUE))) } }
kn <- rcspline.eval(d$dose, nk = 4, knots.only = TRUE); X <- rcspline.eval(d$dose, knots = kn, inclx = TRUE); f <- glm(d$y ~ X, family = binomial, control = ctl); i <- 3:4; w <- drop(coef(f)[i] %*% solve(vcov(f)[i, i], coef(f)[i]))
lu <- na.omit(lung[, c("time", "status", "age")]); kl <- rcspline.eval(lu$age, nk = 4, knots.only = TRUE); XL <- rcspline.eval(lu$age, knots = kl, inclx = TRUE); fl <- coxph(Surv(time, status == 2) ~ XL, lu, control = coxph.control(eps = 1e-11)); il <- 2:3
nl <- list(dose240 = list(knots = kn, coef = unname(coef(f)), statistic = w, df = 2), lung_age = list(knots = kl, coef = unname(coef(fl)), statistic = drop(coef(fl)[il] %*% solve(vcov(fl)[il, il], coef(fl)[il])), df = 2))
cat(toJSON(list(r = R.version.string, packages = list(MASS = as.character(packageVersion("MASS")), Hmisc = as.character(packageVersion("Hmisc")), survival = as.character(packageVersion("survival"))), models = M, curves = Q, splines = S, non_linearity = nl), auto_unbox = TRUE, digits = I(15)), "\n")
