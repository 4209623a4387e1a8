# Reference figures of survreg in R's package survival, written as name,row,value.
#
#   Rscript reference_regression.R > data/r_regression.csv
#
# capacitor, imotor and kidney come with the package. Recorded with R 4.2.2, survival 3.5.3.
# Rows of the figures: coefficients; their covariance and that of the log of sigma, by column;
# then sigma and the log-likelihood.
suppressMessages(library(survival))
cat("name,row,value\n")
put <- function(name, values) {
  cat(sprintf("%s,%d,%.15g\n", name, seq_along(values) - 1L, as.numeric(values)), sep = "")
}
exact <- survreg.control(rel.tolerance = 1e-15, maxiter = 100)
put_fit <- function(name, fit) {
  put(paste0(name, ".coefficients"), coef(fit))
  put(paste0(name, ".covariance"), fit$var)
  put(paste0(name, ".sigma"), fit$scale)
  put(paste0(name, ".loglik"), fit$loglik[2])
}

kidney$woman <- factor(ifelse(kidney$sex == 2, "woman", "man"))
kidney$copies <- 1 + (seq_len(nrow(kidney)) %% 3)
# Inspected every 200 hours: a failure is known only to lie between two inspections.
rounds <- transform(capacitor, lower = floor(time / 200) * 200, upper = ceiling(time / 200) * 200)
rounds$left <- ifelse(rounds$status == 1 & rounds$lower > 0, rounds$lower,
                      ifelse(rounds$status == 1, NA, rounds$time))
rounds$right <- ifelse(rounds$status == 1, rounds$upper, NA)

for (dist in c("weibull", "lognormal")) {
  name <- function(what) paste0(dist, ".", what)
  fit <- survreg(Surv(time, status) ~ temperature + voltage, capacitor, dist = dist, control = exact)
  put_fit(name("capacitor"), fit)
  asked <- data.frame(temperature = c(170, 180), voltage = c(200, 260))
  at <- predict(fit, asked, type = "uquantile", p = c(0.1, 0.5, 0.9), se.fit = TRUE)
  put(name("capacitor.log_quantile"), t(at$fit))
  put(name("capacitor.log_quantile_se"), t(at$se.fit))
  if (dist == "weibull") put(name("capacitor.deviance"), residuals(fit, type = "deviance"))
  null <- survreg(Surv(time, status) ~ 1, capacitor, dist = dist, control = exact)
  put(name("capacitor.likelihood_ratio"), 2 * (fit$loglik[2] - null$loglik[2]))

  put_fit(name("imotor"), survreg(Surv(time, status) ~ I(1000 / (temp + 273.2)),
                                  subset(imotor, temp > 150), dist = dist, control = exact))

  put_fit(name("rounds"), survreg(Surv(left, right, type = "interval2") ~ temperature + voltage,
                                  rounds, dist = dist, control = exact))

  of_three <- Surv(time, status) ~ age + woman + disease
  put_fit(name("kidney"), survreg(of_three, kidney, dist = dist, control = exact))
  put_fit(name("kidney_weighted"),
          survreg(of_three, kidney, weights = copies, dist = dist, control = exact))
  put_fit(name("kidney_clustered"),
          survreg(of_three, kidney, cluster = id, robust = TRUE, dist = dist, control = exact))
  # survreg leaves the weights out of the residuals that it groups by cluster, so rows are copied.
  put_fit(name("kidney_both"),
          survreg(of_three, kidney[rep(seq_len(nrow(kidney)), kidney$copies), ], cluster = id,
                  robust = TRUE, dist = dist, control = exact))

  fit <- survreg(Surv(time, status) ~ age + woman + strata(woman), kidney, dist = dist,
                 control = exact)
  put(name("strata.sigma"), fit$scale)
  put(name("strata.loglik"), fit$loglik[2])
  put(name("strata.log_sigma_variance"), diag(fit$var)[4:5])
}
