# Standardised (marginal) risks by averaging predictions over everybody, with a covariate set:
# logistic (MASS birthwt; delta-method SE by the gradient), Firth logistic by brglm2 with the
# intercept refitted (FLIC), Cox (lung; strata too), cause-specific Cox models with death competing
# (mgus2, every fourth row), Firth Cox (the first 80 of lung, penalised likelihood maximised here),
# Fine-Gray (mgus2, every eighth row, crr). Cox and cause-specific Cox also by riskRegression's ate.
# Rscript marginal_risks.R > marginal_risks.json
suppressMessages({library(survival); library(cmprsk); library(brglm2); library(riskRegression)
                  library(jsonlite)})
births <- MASS::birthwt; births$race <- factor(births$race)
set_to <- function(data, name, value) { data[[name]] <- value; data }
fit <- glm(low ~ smoke + lwt + race, binomial, births, epsilon = 1e-14)
delta <- function(value) {
  x <- model.matrix(delete.response(terms(fit)), set_to(births, "smoke", value)); p <- plogis(drop(x %*% coef(fit)))
  list(mean = mean(p), gradient = colMeans(x * p * (1 - p))) }
none <- delta(0); all <- delta(1)
spread <- function(g) sqrt(drop(t(g) %*% vcov(fit) %*% g))
logit <- list(risk = c(none$mean, all$mean), se = c(spread(none$gradient), spread(all$gradient)),
  difference = all$mean - none$mean, difference_se = spread(all$gradient - none$gradient),
  ratio = all$mean / none$mean,
  log_ratio_se = spread(all$gradient / all$mean - none$gradient / none$mean))

few <- births[births$low == 0 | seq_len(nrow(births)) %% 8 == 0, ]
firth <- glm(low ~ smoke + lwt, binomial, few, method = "brglmFit", type = "AS_mean",
             epsilon = 1e-12, maxit = 1000)
flic <- glm(low ~ 1 + offset(smoke * coef(firth)[2] + lwt * coef(firth)[3]), binomial, few,
            epsilon = 1e-14)
flic_risk <- function(value) mean(plogis(
  coef(flic) + value * coef(firth)[2] + few$lwt * coef(firth)[3]))

lung2 <- na.omit(lung[, c("time", "status", "age", "ph.ecog", "sex", "inst")])
lung2$dead <- lung2$status == 2
exact <- coxph.control(eps = 1e-14, toler.chol = 1e-15, iter.max = 60)
at <- c(180, 365)
mean_risk <- function(model, rows) 1 - rowMeans(sapply(seq_len(nrow(rows)), function(i)
  summary(survfit(model, newdata = rows[i, ], se.fit = FALSE), times = at)$surv))
cox <- coxph(Surv(time, dead) ~ sex + age + ph.ecog, lung2, control = exact, x = TRUE)
by_half <- transform(lung2, half = as.integer(inst > 11))
strat <- coxph(Surv(time, dead) ~ sex + age + strata(half), by_half, control = exact)
lung3 <- transform(lung2, sex = factor(sex))
breslow <- coxph(Surv(time, dead) ~ sex + age + ph.ecog, lung3, ties = "breslow", x = TRUE)
effect <- ate(breslow, treatment = "sex", data = lung3, times = at, verbose = FALSE)

late <- subset(mgus2, !is.na(age) & !is.na(hgb))
late$first <- with(late, ifelse(pstat == 1, ptime, futime))
late$event <- with(late, ifelse(pstat == 1, 1, 2 * death)); late <- late[seq(1, nrow(late), 4), ]
one <- coxph(Surv(first, event == 1) ~ sex + age + hgb, late, control = exact)
two <- coxph(Surv(first, event == 2) ~ sex + age + hgb, late, control = exact)
when <- c(60, 120)
incidence <- function(sex) { rows <- set_to(late, "sex", factor(sex, levels(late$sex)))
  rowMeans(sapply(seq_len(nrow(rows)), function(i) {
    a <- survfit(one, newdata = rows[i, ], se.fit = FALSE)
    b <- survfit(two, newdata = rows[i, ], se.fit = FALSE)
    step <- diff(c(0, a$cumhaz)); every <- step + diff(c(0, b$cumhaz))
    before <- exp(-c(0, cumsum(every)[-length(every)]))
    curve <- cumsum(before * ifelse(every > 0, -expm1(-every) * step / every, 0))
    c(0, curve)[findInterval(when, a$time) + 1] })) }
causes <- CSC(Hist(first, event) ~ sex + age + hgb, data = late, control = coxph.control(eps = 1e-12, toler.chol = 1e-14))
cause_effect <- ate(causes, treatment = "sex", data = late, times = when, cause = 1,
                    verbose = FALSE)

sub <- mgus2[!is.na(mgus2$hgb), ]
sub$first <- with(sub, ifelse(pstat == 1, ptime, futime))
sub$event <- with(sub, ifelse(pstat == 1, 1, 2 * death)); sub <- sub[seq(1, nrow(sub), 2), ]
x <- cbind(male = as.numeric(sub$sex == "M"), hgb = sub$hgb)
gray <- crr(sub$first, sub$event, x, gtol = 1e-12)
gray_risk <- function(value) { rows <- x; rows[, 1] <- value
  rowMeans(predict(gray, rows)[findInterval(when, gray$uftime), -1]) }

start <- lung2[1:80, ]
penalised <- function(b) { f <- coxph(Surv(time, dead) ~ sex + age, start, init = b,
    ties = "breslow", control = coxph.control(iter.max = 0))
  list(f = f, value = f$loglik[2] - as.numeric(determinant(vcov(f))$modulus) / 2) }
low <- optim(c(0, 0), function(b) -penalised(b)$value, method = "BFGS",
             control = list(reltol = 1e-16, parscale = c(0.3, 0.02)))
top <- optim(low$par, function(b) -penalised(b)$value, method = "Nelder-Mead",
             control = list(reltol = 1e-16, maxit = 5000, parscale = c(0.3, 0.02)))
firth_cox <- penalised(top$par)$f
pick <- function(a) list(risk = matrix(a$meanRisk$estimate, nrow = 2, byrow = FALSE),
  levels = as.character(a$meanRisk$treatment), times = a$meanRisk$time,
  estimate = a$meanRisk$estimate, se = a$meanRisk$se,
  difference = a$diffRisk$estimate, difference_se = a$diffRisk$se)
cat(toJSON(list(
  versions = c(R.version.string, sapply(c("survival", "cmprsk", "brglm2", "riskRegression"),
    function(p) paste(p, packageVersion(p)))),
  logistic = logit,
  firth_logistic = list(n = nrow(few), events = sum(few$low), coef = unname(coef(firth)),
    risk = c(flic_risk(0), flic_risk(1))),
  cox = list(at = at, men = mean_risk(cox, set_to(lung2, "sex", 1)),
    women = mean_risk(cox, set_to(lung2, "sex", 2))),
  strata = list(men = mean_risk(strat, set_to(by_half, "sex", 1)),
    women = mean_risk(strat, set_to(by_half, "sex", 2))),
  ate_cox = pick(effect),
  incidence = list(at = when, F = incidence("F"), M = incidence("M")),
  ate_causes = pick(cause_effect),
  fine_gray = list(coef = unname(gray$coef), women = gray_risk(0), men = gray_risk(1)),
  firth_cox = list(coef = top$par, men = mean_risk(firth_cox, set_to(start, "sex", 1)),
    women = mean_risk(firth_cox, set_to(start, "sex", 2)))),
  digits = I(15), auto_unbox = TRUE, pretty = TRUE))
